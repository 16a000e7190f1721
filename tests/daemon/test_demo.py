"""`prehowl demo` through its real entry: repeatable, well formed, refusing the impossible."""

import json
import os
import pty
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from prehowl.daemon.cli import main
from prehowl.daemon.stage.festival import Festival
from prehowl.daemon.stage.stage_truth import margin_db

PREHOWL = str(Path(sys.executable).with_name("prehowl"))


def demo(capsys: pytest.CaptureFixture[str], *options: str) -> str:
    words = ["demo", "--pace", "fast", "--headless", "--format", "jsonl", *options]
    assert main(words) == 0
    return capsys.readouterr().out


def test_the_same_seed_prints_the_same_bytes(capsys: pytest.CaptureFixture[str]) -> None:
    """Oracles: definition of repeatability, over an incident; the poles of the loop: a singer who
    asks for more three times passes the limit on her own wedge; then an alarm comes. Every line is
    an object of the contract's types.
    """
    options = ("--seconds", "17", "--seed", "7", "--truth")
    first = demo(capsys, *options)
    assert first == demo(capsys, *options)
    records = [json.loads(line) for line in first.splitlines()]
    assert {record["type"] for record in records} == {"ring", "truth"}
    up = next(record for record in records if record["type"] == "truth" and record["takes_off"])
    assert 11.0 < up["time_s"] < 13.0
    assert up["microphone"].removeprefix("Vox ") == up["mix"].removeprefix("Mix ")
    assert {"ringing", "howling"} & {record.get("state") for record in records}


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_is_the_usual_end(number: signal.Signals) -> None:
    """Oracle: documented exit code 0 and the summary, as for a watch: a demo has no other end."""
    words = [PREHOWL, "demo", "--headless", "--format", "jsonl"]
    with subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE) as process:
        assert process.stderr is not None
        assert process.stderr.readline().startswith(b"prehowl: 0:00.0 ")
        process.send_signal(number)
        assert process.wait(60) == 0
        assert process.stderr.read().splitlines()[-1].startswith(b"prehowl: played 0:0")


def test_a_dumb_terminal_gets_lines() -> None:
    """Oracle: docs/dashboard.md: TERM=dumb is no terminal for a screen, so lines are printed."""
    ours, theirs = pty.openpty()
    words = [PREHOWL, "demo", "--seconds", "1", "--pace", "fast"]
    dumb = {**os.environ, "TERM": "dumb"}
    done = subprocess.run(
        words, stdin=theirs, stdout=theirs, stderr=subprocess.PIPE, env=dumb, check=False
    )
    os.close(theirs)
    os.close(ours)
    assert done.returncode == 0, done.stderr
    assert done.stderr.splitlines()[-1].startswith(b"prehowl: played 0:01.0")


def test_the_festival_starts_with_room_to_its_limit() -> None:
    """Oracle: the poles of the loop: 5 dB in hand."""
    state = Festival(48000, 7, with_truth=True).loop_state()
    assert margin_db(state, 48000) == pytest.approx(5.0, abs=0.1)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--seconds", "0"], "above 0"),
        (["--seconds", "nan"], "above 0"),
        (["--seed", "-1"], "seed"),
    ],
)
def test_the_impossible_is_refused(
    options: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Oracle: exit code 2 and one line that says what is wrong."""
    assert main(["demo", *options]) == 2
    assert said in capsys.readouterr().err
