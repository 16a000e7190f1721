"""What a person types and what comes back: one line for a fault, help that fits the terminal."""

import shlex
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from prehowl.daemon import cli
from prehowl.daemon.command_line import WIDEST, filled

PREHOWL = str(Path(sys.executable).with_name("prehowl"))
HELPS = [*([name] for name in cli.COMMANDS), ["bench", "detection"], ["bench", "load"]]


@pytest.mark.parametrize(
    ("line", "named", "mend"),
    [
        ("scan", "FILE", "prehowl scan --help"),
        ("scan a.wav --format xml", "--format", "jsonl"),
        ("scan a.wav --frmat csv", "'--frmat'", "'--format'"),
        ("scan a.wav --output", "--output", "expected one argument"),
        ("scan a.wav --loop-delay-ms soon", "--loop-delay-ms: 'soon' is no number", "--help"),
        ("watch --osk 10.0.0.9:9000", "'--osk'", "'--osc'"),
        ("watch --rate fast", "--rate: 'fast' is no whole number", "prehowl watch --help"),
        ("check --no-device --device 2", "--device", "--no-device"),
        ("demo --seed 1.5", "--seed: '1.5' is no whole number", "prehowl demo --help"),
        ("demo --se 1", "--se", "--seconds, --seed"),
        ("devices usb", "'usb' is one word too many", "prehowl devices --help"),
        ("bench", "detection", "prehowl bench --help"),
        ("bench speed", "'speed'", "load"),
        ("bench load --chanels 8", "'--chanels'", "'--channels'"),
        ("watsh", "'watsh'", "'watch'"),
    ],
)
def test_a_usage_fault_is_one_line(line, named, mend, capsys):
    """Oracle: definition. Code 2, nothing on stdout, one line that names the word and the way out.

    The fault is named as it was typed or as the help names it.
    """
    assert cli.main(shlex.split(line)) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("prehowl: ")
    assert err.count("\n") == 1
    assert named in err
    assert mend in err


def test_the_bare_command_tells_what_there_is_on_stderr(capsys):
    """Oracle: definition. No data was asked for, so stdout, which may be a pipe, stays empty."""
    assert cli.main([]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert all(f"  {name} " in err for name in cli.COMMANDS)


def help_of(words, columns, capsys, monkeypatch):
    """Return the help of a command as a terminal of so many columns shows it."""
    monkeypatch.setenv("COLUMNS", str(columns))
    with pytest.raises(SystemExit, match=r"^0$"):
        cli.main([*words, "--help"])
    return capsys.readouterr().out


@pytest.mark.parametrize("words", HELPS, ids=" ".join)
@pytest.mark.parametrize("columns", [72, 80, 250])
def test_help_fits_the_terminal_and_ends_with_an_example(words, columns, capsys, monkeypatch):
    """Oracle: the width given. No line is wider, none grows without limit on a wide one.

    The example alone may be: it is to be copied, so it is never broken.
    """
    *text, example = help_of(words, columns, capsys, monkeypatch).splitlines()
    assert example.startswith(f"example: prehowl {' '.join(words)} ")
    assert max(map(len, text)) <= min(columns, WIDEST)


def test_running_text_is_filled_and_lists_are_kept():
    """Golden, by hand: a paragraph is joined and filled, an indented line keeps its own place."""
    text = "one two\nthree four five\n\nkeys:\n  name: a b c d\n  rate: e"
    assert filled(text, 13).splitlines() == [
        "one two three",
        "four five",
        "",
        "keys:",
        "  name: a b c",
        "    d",
        "  rate: e",
    ]


PRINTING = [
    "scan {recording}",
    "watch --pace fast --recording {recording}",
    "demo --seconds 0.1 --headless",
    "devices",
    "check --no-device",
    "scan --help",
    "--help",
    "--version",
]


# Not `devices`, which may have nothing to print, and not the help of a command: argparse swallows
# the fault where Python's output is unbuffered.
FILLING = [line for line in PRINTING if line not in ("devices", "scan --help")]


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    """Give a tenth of a second of silence."""
    path = tmp_path_factory.mktemp("lines") / "a.wav"
    soundfile.write(path, np.zeros(4800), 48000)
    return path


def shell(line, redirection, recording):
    """Run a command through the shell with a redirection; return what is left to see."""
    words = shlex.join([PREHOWL, *line.format(recording=recording).split()])
    return subprocess.run(
        ["sh", "-c", f"{words} {redirection}"],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


@pytest.mark.parametrize("line", PRINTING)
def test_a_closed_stdout_is_one_line(line, recording):
    """Oracle: definition. Nothing can be told: code 3, and the line says what to do about it."""
    done = shell(line, ">&-", recording)
    assert done.returncode == 3
    assert done.stderr.startswith("prehowl: standard output is closed")
    assert done.stderr.count("\n") == 1


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs Linux's always-full device")
@pytest.mark.parametrize("line", FILLING)
def test_a_full_disk_is_no_internal_fault(line, recording):
    """Oracle: definition. The last line tells the system's reason, once; code 3."""
    done = shell(line, ">/dev/full", recording)
    assert done.returncode == 3
    assert done.stderr.splitlines()[-1] == (
        "prehowl: the result cannot be written (No space left on device)"
    )
    assert done.stderr.count("No space left") == 1


def test_a_closed_stderr_does_not_spoil_the_data(recording):
    """Oracle: definition. What is meant for stderr goes nowhere, not among the lines of stdout."""
    done = shell("scan --format jsonl {recording}", "2>&-", recording)
    assert (done.returncode, done.stdout) == (0, "")
