"""`prehowl logbook` and the options that fill one, through the real command."""

import csv
import io
import json
import re
import sqlite3
import sys

import numpy as np
import pytest
import soundfile
from logbook.books import INFO, howl, written

from prehowl.daemon import cli
from prehowl.daemon.events import Alert
from prehowl.daemon.logbook.place import logbook_folder, logbook_path
from prehowl.daemon.logbook.schema import VERSION
from prehowl.daemon.logbook.sink import ClipPlan, LogbookSink
from prehowl.daemon.logbook.store import Store
from prehowl.daemon.notes import Note
from prehowl.daemon.sinks.words import time_words


def run(capsys, *words) -> tuple[int, str, str]:
    """Run a command in this process; return exit code, stdout, stderr."""
    code = cli.main([str(word) for word in words])
    told = capsys.readouterr()
    return code, told.out, told.err


@pytest.fixture
def home(tmp_path, monkeypatch):
    """Give a data folder of one's own."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    logbook_folder().mkdir(parents=True)
    return logbook_folder()


@pytest.fixture
def saturday(home):
    """Give a logbook called saturday, of one howl."""
    return written(home / "saturday.logbook", howl(3, 1, 4.0))


def test_a_name_is_in_the_data_folder_and_a_path_is_a_path(home, tmp_path):
    """Oracle: the rule as documented."""
    assert logbook_path("saturday") == home / "saturday.logbook"
    assert str(logbook_path("./saturday")) == "saturday"
    assert str(logbook_path("saturday.logbook")) == "saturday.logbook"
    assert logbook_path(str(tmp_path / "x")) == tmp_path / "x"


def test_list_shows_what_there_is_and_tells_of_damage(capsys, home, saturday):
    """Oracle: definition. One line each; exit code 1 where one cannot be read."""
    code, out, _err = run(capsys, "logbook", "list")
    assert code == 0
    assert re.search(
        r"^saturday +\d{4}-\d\d-\d\d \d\d:\d\d .* 1 .*Quarry Meadow", out, re.MULTILINE
    )
    (home / "torn.logbook").write_bytes(b"x" * 100)
    code, _out, err = run(capsys, "logbook", "list")
    assert code == 1
    assert "torn.logbook: is no logbook" in err


def test_list_tells_of_a_stranger_and_goes_on(capsys, home, saturday):
    """Oracle: definition. Before `saturday` by name: of another program, of a later version."""
    with sqlite3.connect(home / "another.logbook") as connection:
        connection.execute("CREATE TABLE songs (name)")
    connection.close()
    later = written(home / "later.logbook", howl(3, 1, 4.0))
    with sqlite3.connect(later) as connection:
        connection.execute(f"PRAGMA user_version = {VERSION + 1}")
    connection.close()
    code, out, err = run(capsys, "logbook", "list")
    assert code == 1
    assert [line.split()[0] for line in out.splitlines()] == ["logbook", "saturday"]
    assert "another.logbook: is a database of another program" in err
    assert "later.logbook: was written by a later prehowl" in err


def test_list_of_nothing_says_how_to_begin(capsys, tmp_path):
    """Oracle: definition."""
    code, out, err = run(capsys, "logbook", "list", tmp_path)
    assert (code, out) == (0, "")
    assert "--logbook saturday" in err


def test_show_tells_line_by_line(capsys, saturday):
    """Oracle: by hand. A head, an act, four events, the alarm with its clip."""
    code, out, _err = run(capsys, "logbook", "show", "saturday")
    lines = out.splitlines()
    assert code == 0
    assert lines[0].startswith("run 1: ")
    assert [line.split()[1] for line in lines[1:]] == ["act", "ring", "ring", "ring", "ring"]
    assert "ringing at 2513 Hz  clip of alert 3" in lines[3]
    _code, out, _err = run(capsys, "logbook", "show", "saturday", "--kind", "act")
    assert len(out.splitlines()) == 2


def test_export_gives_the_records_back(capsys, saturday, tmp_path):
    """Oracle: the records of docs/events.md; a CSV reader; libsndfile."""
    code, out, err = run(capsys, "logbook", "export", "saturday", "--clips", tmp_path / "clips")
    assert code == 0
    records = [json.loads(line) for line in out.splitlines()]
    rings = [record for record in records if record["kind"] == "ring"]
    for told, event in zip(rings, howl(3, 1, 4.0), strict=True):
        assert {key: told[key] for key in event.record()} == event.record()
        assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", told["at"])
    (clip,) = (tmp_path / "clips").glob("*.flac")
    assert soundfile.info(clip).channels == 1
    assert "1 clip written" in err
    (spectrum,) = (tmp_path / "clips").glob("*.csv")
    assert spectrum.read_text().startswith("frequency_hz,level_dbfs\n0.00,")
    _code, out, _err = run(capsys, "logbook", "export", "saturday", "--format", "csv")
    rows = list(csv.DictReader(io.StringIO(out)))
    assert [row["state"] for row in rows] == ["", "suspect", "ringing", "howling", "cleared"]
    assert {row["act"] for row in rows} == {"First"}


def test_csv_tells_the_act_the_alert_and_what_people_did(capsys, home):
    """Oracle: by hand. A note's line has its verb, who asked, and what came of it."""
    alert = Alert(3, 1, "Vox 1", 1, 5, "Vox 1", "Mix 1", "left wedge")
    path = written(home / "sunday.logbook", howl(3, 1, 4.0, alert=alert))
    sink = LogbookSink(path, INFO, clips=ClipPlan(is_on=False))
    sink.start()
    sink.on_note(Note(1.0, "next_act", "osc 192.0.2.7", True, "act 2 of 2: Third", act="Third"))
    sink.on_event(howl(1, 2, 2.0)[0])
    sink.close()
    _code, out, _err = run(capsys, "logbook", "export", "sunday", "--format", "csv")
    rows = list(csv.DictReader(io.StringIO(out)))
    ring, note, later = rows[1], rows[-2], rows[-1]
    told = [ring[name] for name in ("alert", "mic", "mix", "wedge", "channel_name")]
    assert told == ["3", "Vox 1", "Mix 1", "left wedge", "Vox 1"]
    told = [note[name] for name in ("kind", "verb", "by", "done", "text", "act")]
    assert told == ["control", "next_act", "osc 192.0.2.7", "True", "act 2 of 2: Third", "Third"]
    assert (later["state"], later["act"], later["alert"]) == ("suspect", "Third", "")


@pytest.mark.optional
def test_report_writes_a_page_and_a_pdf(capsys, saturday, tmp_path):
    """Oracle: definition; a PDF of a page for what to change and a page for the act."""
    pytest.importorskip("matplotlib", reason="needs matplotlib (extra `report`)")
    html, pdf = tmp_path / "a.html", tmp_path / "a.pdf"
    code, _out, err = run(capsys, "logbook", "report", "saturday", "--output", html, "--pdf", pdf)
    assert (code, f"written: {html} and {pdf}" in err) == (0, True)
    assert "What to change tomorrow" in html.read_text(encoding="utf-8")
    assert len(re.findall(rb"/Type\s*/Page\b", pdf.read_bytes())) == 2


def test_a_pdf_without_matplotlib_is_one_line(capsys, saturday, tmp_path, monkeypatch):
    """Oracle: definition. The extra is named."""
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    words = ["logbook", "report", "saturday", "--output", tmp_path / "a.html"]
    code, _out, err = run(capsys, *words, "--pdf", tmp_path / "a.pdf")
    assert code == 2
    assert "prehowl[report]" in err


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["show", "sunday"], 2, "no logbook .*sunday.logbook"),
        (["show", "saturday", "--run", "7"], 2, "has no run 7. There are: 1"),
        (["report", "saturday", "--output", "/no/such/folder/a.html"], 3, "cannot be written"),
        (["export", "saturday", "--clips", "/dev/null/x", "--output", "/dev/null"], 3, "written"),
    ],
)
def test_what_cannot_be_is_one_line_and_a_code(capsys, saturday, words, code, said):
    """Oracle: the documented exit codes."""
    found, _out, err = run(capsys, "logbook", *words)
    assert found == code
    assert re.search(said, err)
    assert err.count("\n") == 1


@pytest.fixture
def recording(tmp_path):
    """Give a tone that rises at 60 dB/s out of noise, on channel 2 of 2."""
    time_s = np.arange(2 * 48000) / 48000
    noise = np.random.default_rng(3).normal(0, 0.003, (len(time_s), 2))
    rise = np.where(time_s > 0.5, np.minimum(1e-3 * 10 ** (3 * (time_s - 0.5)), 0.1), 0)
    noise[:, 1] += rise * np.sin(2 * np.pi * 2513.4 * time_s)
    path = tmp_path / "howl.wav"
    soundfile.write(path, noise, 48000, subtype="PCM_24")
    return path


@pytest.mark.parametrize("command", [["scan"], ["watch", "--pace", "fast", "--recording"]])
def test_what_is_printed_is_what_is_kept(capsys, home, recording, command):
    """Oracle: the events of the same command as JSON lines."""
    code, out, err = run(capsys, *command, recording, "--format", "jsonl", "--logbook", "sunday")
    assert code == 0, err
    printed = [json.loads(line) for line in out.splitlines()]
    assert any(event["state"] == "ringing" for event in printed)
    _code, out, _err = run(capsys, "logbook", "export", "sunday")
    kept = [json.loads(line) for line in out.splitlines()]
    assert [
        {key: one[key] for key in printed[0]} for one in kept if one["kind"] == "ring"
    ] == printed
    _code, out, _err = run(capsys, "logbook", "show", "sunday", "--kind", "ring")
    # Nobody looks for a place in a recording by the hour at which it was analysed.
    assert [line.split()[0] for line in out.splitlines()[1:]] == [
        time_words(event["time_s"]) for event in printed
    ]


def test_the_show_file_asks_for_a_logbook_and_the_switch_keeps_audio_out(
    capsys, home, recording, tmp_path
):
    """Oracle: definition of the keys."""
    show = tmp_path / "show.toml"
    show.write_text('[logbook]\nfile = "from-show"\n[[channels]]\nnumber = 2\nname = "Vox"\n')
    words = ["scan", recording, "--show", show, "--no-clips"]
    code, _out, err = run(capsys, *words)
    assert code == 0, err
    assert (home / "from-show.logbook").exists()
    _code, out, _err = run(capsys, "logbook", "show", "from-show")
    assert " Vox " in out
    assert "clip of alert" not in out


def test_what_a_scan_could_not_keep_is_told_at_its_end(capsys, home, recording, monkeypatch):
    """Oracle: counted by hand: as many entries as are printed, and that of the disc itself."""

    def full(*_: object) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr(Store, "write", full)
    words = ["scan", recording, "--format", "jsonl", "--logbook", "sunday", "--no-clips"]
    code, out, err = run(capsys, *words)
    assert code == 0
    assert f"{out.count(chr(10)) + 1} entries and 1 spectrum of the logbook could not" in err


def test_two_watches_on_one_logbook_are_refused(capsys, home, recording):
    """Oracle: definition; exit code 3, and nothing is printed as if it were kept."""
    from prehowl.daemon.logbook.lock import WriterLock

    lock = WriterLock(home / "busy.logbook")
    code, out, err = run(capsys, "scan", recording, "--format", "jsonl", "--logbook", "busy")
    lock.release()
    assert (code, out) == (3, "")
    assert "another prehowl is writing it" in err
