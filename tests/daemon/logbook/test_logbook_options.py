"""The options that fill a logbook, through the real commands."""

import json
import re
import sqlite3

import numpy as np
import pytest
import soundfile
from logbook.books import run, small_disc

from prehowl.daemon.logbook.store import Store
from prehowl.daemon.sinks.words import time_words


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


@pytest.mark.parametrize(
    "words",
    [
        ["scan", "RECORDING"],
        ["watch", "--pace", "fast", "--recording", "RECORDING"],
        ["demo", "--pace", "fast", "--headless", "--seconds", "1"],
    ],
)
def test_a_logbook_that_lacks_something_is_a_fault(capsys, recording, tmp_path, words):
    """Oracle: docs/events.md, code 3: an output failed. On a real file system that is full."""
    with small_disc(tmp_path, "60k") as disc:
        path = disc / "sunday.logbook"
        given = [recording if word == "RECORDING" else word for word in words]
        code, _out, err = run(capsys, *given, "--logbook", path)
    assert code == 3, err
    assert f"of the logbook could not be written to {path}: " in err
    assert "is full" in err


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


def test_a_scan_is_watched_as_long_as_it_is(capsys, home, recording):
    """Oracle: the recording's own length, though no bar is shown and nobody looks at it."""
    assert run(capsys, "scan", recording, "--logbook", "sunday")[0] == 0
    _code, out, _err = run(capsys, "logbook", "list")
    assert re.search(r"^sunday .* 0:02\.0 ", out, re.MULTILINE)


def test_a_recording_of_any_name_has_a_logbook(capsys, home, recording):
    """Oracle: the same events as of the same recording with a plain name; the name as escapes.

    It is cut short, so that a health entry holds the name, too.
    """
    odd = recording.with_name("gr\udcfcn.wav")
    try:
        odd.write_bytes(recording.read_bytes()[:-1000])
    except OSError:
        pytest.skip("this file system takes UTF-8 names only")
    code, out, err = run(capsys, "scan", odd, "--format", "jsonl", "--logbook", "sunday")
    assert code == 0
    assert "could not be written" not in err
    _code, told, _err = run(capsys, "logbook", "export", "sunday")
    kinds = [json.loads(line)["kind"] for line in told.splitlines()]
    assert kinds.count("ring") == out.count("\n") > 0
    assert "health" in kinds
    _code, told, _err = run(capsys, "logbook", "show", "sunday")
    assert told.count("gr\\udcfcn.wav") == 2  # the run's source, the health line
    page = odd.with_suffix(".html")
    code, _out, err = run(capsys, "logbook", "report", "sunday", "--output", page)
    assert code == 0, err


def test_what_a_scan_could_not_keep_is_told_at_its_end(capsys, home, recording, monkeypatch):
    """Oracle: counted by hand: as many entries as are printed, and that of the disc itself."""

    def full(*_: object) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr(Store, "write", full)
    words = ["scan", recording, "--format", "jsonl", "--logbook", "sunday", "--no-clips"]
    code, out, err = run(capsys, *words)
    assert code == 3
    assert f"{out.count(chr(10)) + 1} entries and 1 spectrum of the logbook could not" in err


def test_two_watches_on_one_logbook_are_refused(capsys, home, recording):
    """Oracle: definition; exit code 3, and nothing is printed as if it were kept."""
    from prehowl.daemon.logbook.lock import WriterLock

    lock = WriterLock(home / "busy.logbook")
    code, out, err = run(capsys, "scan", recording, "--format", "jsonl", "--logbook", "busy")
    lock.release()
    assert (code, out) == (3, "")
    assert "another prehowl is writing it" in err
