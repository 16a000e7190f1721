"""When it was: the clock on the wall for a live watch, the place in the stream for others."""

import time
from dataclasses import replace

import pytest
from fakes import snapshot
from logbook.books import INFO, howl
from rig.watching import poll

from prehowl.daemon import cli
from prehowl.daemon.logbook.reader import LogbookError, LogbookReader
from prehowl.daemon.logbook.records import (
    LIVE,
    WATCHED_RECORDING,
    ActChange,
    Entry,
    HealthChange,
    entry_row,
    ring_entry,
)
from prehowl.daemon.logbook.report.data import gather
from prehowl.daemon.logbook.report.page import page
from prehowl.daemon.logbook.sink import LogbookSink
from prehowl.daemon.logbook.store import DamagedError, Store

SIX_HOURS_S = 6 * 3600.0
MIDNIGHT_S = 1_600_000_000 // 86400 * 86400.0


def kept(path, command: str, *, alarm_at: float) -> None:
    """Write a howl of the tenth second, its alarm at a time of the clock, and what follows."""
    store = Store(path, replace(INFO, command=command))
    _, alarm, *_ = howl(3, 1, 9.5)
    gone = HealthChange("device", "unplugged").entry(11.0)
    rows = [(alarm_at, entry_row(ring_entry(alarm))), (alarm_at + 60, entry_row(gone))]
    store.write(rows, alarm_at + 60, 11.0)
    store.end()
    store.close()


def shown(capsys, path) -> list[str]:
    """Return the times that `logbook show` tells."""
    assert cli.main(["logbook", "show", str(path)]) == 0
    return [line.split()[0] for line in capsys.readouterr().out.splitlines()[1:]]


@pytest.fixture
def path(tmp_path, monkeypatch):
    """Give the place of a logbook, at a place where the clock shows UTC."""
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()
    yield tmp_path / "show.logbook"
    monkeypatch.undo()
    time.tzset()


def test_a_live_watch_tells_what_the_clock_said(capsys, path):
    """Oracle: by hand. Whatever the stream's time was, the alarm was told at 21:15:07."""
    kept(path, LIVE, alarm_at=MIDNIGHT_S + 21 * 3600 + 15 * 60 + 7)
    assert shown(capsys, path) == ["21:15:07", "21:16:07"]
    with LogbookReader(path) as reader:
        report = gather(reader)
    assert [moment.when for moment in report.moments] == ["21:15:07"]
    assert report.health == (("21:16:07", "unplugged"),)


@pytest.mark.parametrize("command", ["scan", "demo", WATCHED_RECORDING])
def test_a_recording_tells_the_place_in_it(capsys, path, command):
    """Oracle: by hand. When it was written has nothing to do with it."""
    kept(path, command, alarm_at=MIDNIGHT_S)
    assert shown(capsys, path) == ["0:10.0", "0:11.0"]
    with LogbookReader(path) as reader:
        assert [moment.when for moment in gather(reader).moments] == ["0:10.0"]


@pytest.mark.parametrize("accident", ["taken away", "damaged"])
def test_a_file_begun_anew_tells_of_what_it_saw_and_no_more(capsys, path, monkeypatch, accident):
    """Oracle: by hand. Six hours into the watch; then two seconds, in an act of two seconds."""
    sink = LogbookSink(path, INFO)
    sink.start()
    sink.on_snapshot(snapshot(3, time_s=SIX_HOURS_S))
    sink.keep(Entry("note", SIX_HOURS_S, {"n": 1}))
    poll(lambda: count(path) == 1, "the first entry")
    if accident == "damaged":

        def torn(*_: object) -> None:
            monkeypatch.undo()
            raise DamagedError("database disk image is malformed")

        monkeypatch.setattr(Store, "write", torn)
    else:
        path.unlink()
    sink.keep(ActChange("Second").entry(SIX_HOURS_S))
    for event in howl(3, 1, SIX_HOURS_S):
        sink.on_event(event)
    poll(lambda: count(path) == 6, "what follows, in a new file")
    sink.on_snapshot(snapshot(3, time_s=SIX_HOURS_S + 2))
    sink.close()
    with LogbookReader(path) as reader:
        (run,) = reader.runs()
        report = gather(reader)
    assert (run.begin_s, run.last_time_s, run.watched_s) == (SIX_HOURS_S, SIX_HOURS_S + 2, 2.0)
    (act,) = [part.act for part in report.acts]
    assert (act.name, act.begin_s, act.end_s) == ("Second", SIX_HOURS_S, SIX_HOURS_S + 2)
    assert "0:02.0 watched" in page(report)
    capsys.readouterr()
    assert cli.main(["logbook", "list", str(path.parent)]) == 0
    listed = [line.split() for line in capsys.readouterr().out.splitlines()]
    assert [words[3] for words in listed if words[0] == "show"] == ["0:02.0"]


def test_a_watch_begins_at_its_start_however_late_its_first_line(path):
    """Oracle: definition."""
    sink = LogbookSink(path, INFO)
    sink.start()
    sink.keep(Entry("note", SIX_HOURS_S, {"n": 1}))
    sink.on_snapshot(snapshot(3, time_s=SIX_HOURS_S))
    sink.close()
    with LogbookReader(path) as reader:
        (run,) = reader.runs()
    assert (run.begin_s, run.watched_s) == (0.0, SIX_HOURS_S)


def count(path) -> int:
    """Return how many lines there are so far; a file that is being made holds none yet."""
    try:
        with LogbookReader(path) as reader:
            return len(list(reader.lines()))
    except LogbookError:
        return 0
