"""The report's one clock: acts, marks and bars of a live watch tell what its moments tell."""

import re
import sqlite3
import time
from dataclasses import replace
from pathlib import Path

import pytest
from logbook.books import INFO, howl

from prehowl.daemon.logbook.reader import LogbookReader
from prehowl.daemon.logbook.records import LIVE, ActChange, HealthChange, entry_row, ring_entry
from prehowl.daemon.logbook.report.clock import clocks_of
from prehowl.daemon.logbook.report.data import Report, gather
from prehowl.daemon.logbook.report.page import page
from prehowl.daemon.logbook.store import Store

NINE_PM_S = 1_600_000_000 // 86400 * 86400.0 + 21 * 3600
DAY_S = 86400.0
DAY = "2020-09-13"
AWAY_S = 1000.0


@pytest.fixture(autouse=True)
def utc(monkeypatch):
    """Be at a place where the clock shows UTC."""
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


def night(path: Path, *, begin_at: float = NINE_PM_S, command: str = LIVE) -> None:
    """Write a run of 90 s of stream: two acts, a howl in each, the device away in between.

    The first act's howl alarms at 10 s. At 40 s the device is away for 1000 s, in which the next
    act is called, 300 s before it is back; its howl alarms at 70 s.
    """
    store = Store(path, replace(INFO, command=command))
    lines = [
        (0.0, 0.0, ActChange("First").entry(0.0)),
        *((e.time_s, 0.0, ring_entry(e)) for e in howl(1, 1, 9.5)),
        (40.0, 0.0, HealthChange("device", "unplugged").entry(40.0)),
        (40.0, AWAY_S - 300, ActChange("Second").entry(40.0)),
        (40.0, AWAY_S, HealthChange("device", "the device is back", is_well=True).entry(40.0)),
        *((e.time_s, AWAY_S, ring_entry(e)) for e in howl(2, 1, 69.5)),
    ]
    rows = [(begin_at + time_s + away_s, entry_row(entry)) for time_s, away_s, entry in lines]
    store.write(rows, begin_at + 90 + AWAY_S, 90.0)
    store.end()
    store.close()
    with sqlite3.connect(path) as connection:
        last = "WHERE id = (SELECT max(id) FROM runs)"
        connection.execute(f"UPDATE runs SET started_at = ? {last}", (begin_at,))
    connection.close()


def report_of(path: Path) -> Report:
    """Return the report on a logbook."""
    with LogbookReader(path) as reader:
        return gather(reader)


def test_a_moment_is_found_in_its_act_and_under_its_mark(tmp_path):
    """Oracle: by hand. Called at 21:12:20, howled at 21:17:50, the last sign of life 20 s later."""
    night(tmp_path / "a.logbook")
    report = report_of(tmp_path / "a.logbook")
    assert sorted(moment.when for moment in report.moments) == ["21:00:10", "21:17:50"]
    assert [part.span for part in report.acts] == ["21:00:00 to 21:12:20", "21:12:20 to 21:18:10"]
    html = page(report)
    assert "21:12:20 to 21:18:10 · 1 alarm" in html
    marks = [re.findall(r">(\d\d:\d\d:\d\d)</text>", svg) for svg in html.split("<article>")[1:]]
    assert marks == [
        [f"21:00:{s:02d}" for s in range(0, 45, 5)],
        [f"21:{17 + s // 60}:{s % 60:02d}" for s in range(20, 75, 10)],
    ]
    titles = re.findall(r"<title>howling, 2513 Hz \(2.5 kHz band\), (.*?)</title>", html)
    assert titles == ["21:00:09", "21:17:49"]


def test_a_recording_tells_the_places_in_it(tmp_path):
    """Oracle: definition. When it was analysed has nothing to do with it."""
    night(tmp_path / "a.logbook", command="scan")
    report = report_of(tmp_path / "a.logbook")
    assert [part.span for part in report.acts] == ["0:00.0 to 0:40.0", "0:40.0 to 1:30.0"]
    html = page(report)
    titles = re.findall(r"<title>howling, 2513 Hz \(2.5 kHz band\), (.*?)</title>", html)
    assert titles == ["0:09.5", "1:09.5"]
    assert ">1:10</text>" in html


def test_marks_after_a_standstill_are_true(tmp_path):
    """Oracle: by hand. Over all of it: 21:00:40 when it was unplugged, then 1010 s on."""
    night(tmp_path / "a.logbook")
    with LogbookReader(tmp_path / "a.logbook") as reader:
        (clock,) = clocks_of(reader.lines(), reader.runs()).values()
    assert clock.marks(0.0, 90.0) == [
        (10.0 * n, f"21:{minute:02d}:{second:02d}")
        for n, (minute, second) in enumerate(
            [(0, s) for s in range(0, 50, 10)]
            + [(17, s) for s in range(30, 60, 10)]
            + [(18, 0), (18, 10)]
        )
    ]


@pytest.mark.parametrize(("apart_s", "date"), [(3600.0, ""), (DAY_S, f"{DAY} ")])
def test_two_nights_do_not_look_alike(tmp_path, apart_s, date):
    """Oracle: by hand. With a date where the runs are of two days, without on one evening."""
    path = tmp_path / "a.logbook"
    night(path)
    night(path, begin_at=NINE_PM_S + apart_s)
    report = report_of(path)
    whens = {moment.when for moment in report.moments}
    assert {f"{date}21:00:10", f"{date}21:17:50"} <= whens
    assert len(whens) == 4
    assert report.health[0] == (f"{date}21:00:40", "unplugged")
    assert report.acts[0].span == f"{date}21:00:00 to 21:12:20"


def test_past_midnight_the_end_of_an_act_has_its_own_date(tmp_path):
    """Oracle: by hand. Two nights, the second from 23:50 on."""
    path = tmp_path / "a.logbook"
    night(path)
    night(path, begin_at=NINE_PM_S + DAY_S + 10_200)
    assert report_of(path).acts[2].span == "2020-09-14 23:50:00 to 2020-09-15 00:02:20"


def test_two_recordings_do_not_look_alike(tmp_path):
    """Oracle: definition. The place alone would be in either."""
    path = tmp_path / "a.logbook"
    for _ in range(2):
        night(path, command="scan")
    report = report_of(path)
    assert {moment.when for moment in report.moments} == {
        f"run {run}, {place}" for run in (1, 2) for place in ("0:10.0", "1:10.0")
    }
