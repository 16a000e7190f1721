"""`prehowl logbook`, through the real command."""

import csv
import io
import json
import re
import shlex
import sqlite3
import sys

import pytest
import soundfile
from logbook.books import INFO, howl, run, written

from prehowl.daemon.events import Alert
from prehowl.daemon.logbook.place import logbook_path
from prehowl.daemon.logbook.schema import VERSION
from prehowl.daemon.logbook.sink import ClipPlan, LogbookSink
from prehowl.daemon.notes import Note


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


def test_list_of_nothing_says_how_to_begin(capsys, home, tmp_path, monkeypatch):
    """Oracle: definition. What it says to type makes a logbook in the very folder."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "the books").mkdir()
    for words, folder in (([], home), (["the books"], tmp_path / "the books"), (["."], tmp_path)):
        code, out, err = run(capsys, "logbook", "list", *words)
        assert (code, out) == (0, "")
        (typed,) = re.findall("`(.*)`", err)
        assert shlex.split(typed)[:-1] == ["prehowl", "watch", "--logbook"]
        path = logbook_path(shlex.split(typed)[-1])
        assert path.absolute() == folder / "saturday.logbook"


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


def test_show_tells_why_there_is_no_line(capsys, home, saturday):
    """Oracle: by hand: the runs all the same, and what there is of `saturday`."""
    for words, asked in (
        (["--kind", "health"], "kind health"),
        (["--channel", "7"], "channel 7"),
        (["--kind", "ring", "--channel", "2"], "kind ring and channel 2"),
    ):
        code, out, err = run(capsys, "logbook", "show", "saturday", *words)
        assert (code, out.count("\n"), out[:7]) == (0, 1, "run 1: ")
        there = "There are lines of these kinds: act, ring; channels: 1"
        assert err == f"prehowl: no line of {asked}. {there}\n"
    calm = written(home / "calm.logbook", [], acts=())
    code, out, err = run(capsys, "logbook", "show", calm)
    assert (code, out.count("\n"), out[:7]) == (0, 1, "run 1: ")
    assert "no line is kept: nothing rang" in err


def test_show_refuses_a_kind_that_is_none(capsys, saturday):
    """Oracle: the documented exit code for wrong usage; kinds of our own and those in the file."""
    code, out, err = run(capsys, "logbook", "show", "saturday", "--kind", "rings")
    assert (code, out) == (2, "")
    assert "--kind rings: no such kind. There are: act, control, health, names, ring" in err


def test_no_result_goes_over_the_logbook_it_is_from(capsys, saturday, home, monkeypatch):
    """Oracle: definition: page, PDF or lines, however the file is called; nothing else either."""
    monkeypatch.chdir(home)
    before = saturday.read_bytes()
    for words in (
        ["report", "./saturday.logbook", "--output", "saturday.logbook"],
        ["report", "saturday", "--pdf", saturday],
        ["export", "saturday", "--output", saturday],
    ):
        code, _out, err = run(capsys, "logbook", *words)
        assert (code, saturday.read_bytes()) == (2, before)
        assert "would be lost" in err
    assert not (home / "saturday.html").exists()


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
