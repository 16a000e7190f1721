"""Where results go: any name can be printed anywhere, and no result is lost for a mistyped word."""

import io
import json
import signal
import sys

import numpy as np
import pytest
import soundfile

from prehowl.daemon import cli
from prehowl.daemon.errors import OutputError
from prehowl.daemon.loop import run_loop
from prehowl.daemon.output import ESCAPES, open_output

RATE_HZ = 48000
NAMES = ("Zoë – ♥", "Bühne 🎤", "gr\udcfcn")
"""Latin-1 has some of their marks, ASCII none; one is beyond 16 bits, one no mark at all."""


@pytest.fixture
def printed(monkeypatch):
    """Return a function that runs a command with a stdout of some encoding: code, bytes."""

    def run(encoding: str, *words: object) -> tuple[int, bytes]:
        raw = io.BytesIO()
        stream = io.TextIOWrapper(raw, encoding=encoding)
        monkeypatch.setattr(sys, "stdout", stream)
        code = cli.main([str(word) for word in words])
        stream.flush()
        return code, raw.getvalue()

    return run


@pytest.fixture
def calm(tmp_path):
    """Give a recording of half a second of silence."""
    path = tmp_path / "calm.wav"
    soundfile.write(path, np.zeros(RATE_HZ // 2), RATE_HZ)
    return path


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "utf-8"])
@pytest.mark.parametrize("name", NAMES)
def test_json_stays_json_in_any_encoding(encoding, name):
    """Oracle: RFC 8259, section 7 (from memory), as Python's own reader has it."""
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding=encoding, errors=ESCAPES)
    stream.write(json.dumps({"name": name}, ensure_ascii=False))
    stream.flush()
    assert json.loads(raw.getvalue().decode(encoding)) == {"name": name}


@pytest.mark.parametrize("form", ["table", "json"])
def test_a_check_prints_names_that_stdout_cannot_hold(printed, capsys, tmp_path, calm, form):
    """Oracle: definition: code 0, with the marks as escapes. The file's name is no UTF-8 either."""
    show = tmp_path / "uni.toml"
    show.write_text('[[channels]]\nnumber = 1\nname = "Zoë – ♥"\nkind = "mix"\n', encoding="utf-8")
    odd = tmp_path / "Bühne ♥ gr\udcfcn.wav"
    try:
        odd.write_bytes(calm.read_bytes())
    except OSError:
        pytest.skip("this file system takes UTF-8 names only")
    words = ["check", "--show", show, "--recording", odd, "--format", form]
    code, out = printed("latin-1", *words)
    assert (code, capsys.readouterr().err) == (0, "")
    assert "Zoë \\u2013 \\u2665" in out.decode("latin-1")
    code, out = printed("utf-8", *words)
    assert code == 0
    told = b"Zo\xc3\xab \xe2\x80\x93 \xe2\x99\xa5"
    assert told in out


def test_an_output_keeps_what_is_in_it_until_something_is_printed(tmp_path):
    """Oracle: definition. A fault before that changes nothing, one after it does."""
    path = tmp_path / "old.txt"
    path.write_text("yesterday\n")
    with pytest.raises(ZeroDivisionError), open_output(str(path)):
        raise ZeroDivisionError
    assert path.read_text() == "yesterday\n"
    with pytest.raises(ZeroDivisionError), open_output(str(path)):
        _fail_after("now\n")
    assert path.read_text() == "now\n"


def test_an_output_with_nothing_in_it_takes_the_place_of_an_old_one(tmp_path):
    """Oracle: definition: where a result is empty, the file is."""
    path = tmp_path / "old.txt"
    path.write_text("yesterday\n")
    with open_output(str(path)) as begin_output:
        begin_output()
    assert path.read_bytes() == b""
    with open_output(str(path)) as begin_output:
        sys.stdout.write("now\n")
        begin_output()
    assert path.read_text() == "now\n"


def test_a_long_result_is_written_whole(tmp_path):
    """Oracle: the text itself, longer than any buffer on the way."""
    path = tmp_path / "old.txt"
    path.write_text("yesterday\n" * 100_000)
    text = "".join(f"{number}\n" for number in range(100_000))
    with open_output(str(path)):
        sys.stdout.write(text)
    assert path.read_text() == text


def test_no_file_is_left_where_there_was_none_and_no_result(tmp_path):
    """Oracle: definition."""
    path = tmp_path / "new.txt"
    with pytest.raises(ZeroDivisionError), open_output(str(path)):
        raise ZeroDivisionError
    assert not path.exists()
    with pytest.raises(OutputError, match="cannot be written"), open_output(str(tmp_path)):
        pass
    assert tmp_path.is_dir()


@pytest.mark.parametrize("files", [["missing.wav"], ["missing.wav", "absent.wav"]])
def test_a_mistyped_recording_leaves_the_old_result(tmp_path, capsys, files):
    """Oracle: definition: code 2, and yesterday's rings as they were."""
    rings = tmp_path / "rings.jsonl"
    rings.write_text("yesterday\n")
    words = ["scan", *files, "--output", str(rings), "--format", "jsonl"]
    assert cli.main(words) == 2
    assert rings.read_text() == "yesterday\n"


def test_a_scan_that_is_stopped_at_once_leaves_the_old_result(calm, tmp_path, monkeypatch):
    """Oracle: definition: nothing was found, and nobody can say that nothing rang."""

    def stopped(*args, stop, **keywords):
        stop.set(signal.SIGINT)
        return run_loop(*args, stop=stop, **keywords)

    monkeypatch.setattr("prehowl.daemon.commands.scan.run_loop", stopped)
    rings = tmp_path / "rings.jsonl"
    rings.write_text("yesterday\n")
    words = ["scan", str(calm), "--output", str(rings), "--format", "jsonl"]
    assert cli.main(words) == 128 + signal.SIGINT
    assert rings.read_text() == "yesterday\n"


def test_a_calm_recording_empties_the_old_result(calm, tmp_path, capsys):
    """Oracle: definition: that nothing rang is a result."""
    rings = tmp_path / "rings.jsonl"
    rings.write_text("yesterday\n")
    words = ["scan", "missing.wav", str(calm), "--output", str(rings), "--format", "jsonl"]
    assert cli.main(words) == 2
    assert rings.read_bytes() == b""


def test_a_logbook_that_is_refused_leaves_the_old_result(calm, tmp_path, capsys):
    """Oracle: definition, also for a table, whose head is printed before anything rings."""
    rings, stranger = tmp_path / "rings.txt", tmp_path / "song.txt"
    rings.write_text("yesterday\n")
    stranger.write_text("la la\n")
    assert cli.main(["scan", str(calm), "--output", str(rings), "--logbook", str(stranger)]) == 3
    assert "is a file of another kind" in capsys.readouterr().err
    assert rings.read_text() == "yesterday\n"


def _fail_after(text: str) -> None:
    """Print something and fail."""
    sys.stdout.write(text)
    raise ZeroDivisionError
