"""A terminal that nobody reads, as that of an ssh whose connection is frozen, end to end."""

import contextlib
import os
import re
import signal
import subprocess
import termios
from collections.abc import Iterator

import pytest
from guarded import ended
from rich.console import Console
from rich.text import Text
from rig.osc import OscReceiver
from rig.watching import PATIENCE_S, poll, prehowl

from prehowl.daemon.sinks.dashboard.terminal import Terminal

WIDTH, HEIGHT = 80, 24


@pytest.fixture
def frozen() -> Iterator[int]:
    """Return a terminal that is full: nobody reads at its other end."""
    ours, theirs = os.openpty()
    again = os.open(os.ttyname(theirs), os.O_WRONLY | os.O_NONBLOCK | os.O_NOCTTY)
    with contextlib.suppress(BlockingIOError):
        while True:
            os.write(again, 100 * b"x")
    os.close(again)
    yield theirs
    os.close(ours)
    os.close(theirs)


def test_a_watch_with_its_screen_there_goes_on_and_ends_as_ever(double, frozen):
    """Oracles: heartbeats and the farewell at a receiver, the documented exit code, the
    terminal's own attributes (tcgetattr) as they were."""
    before = termios.tcgetattr(frozen)
    with OscReceiver() as receiver:
        process = subprocess.Popen(
            prehowl("watch", "--device", "0", "--osc", f"127.0.0.1:{receiver.port}"),
            stdin=frozen,
            stdout=frozen,
            stderr=frozen,
            env={**os.environ, "TERM": "xterm-256color"},
            start_new_session=True,
        )
        try:
            receiver.wait_for("/prehowl/heartbeat", 3, PATIENCE_S)
            poll(lambda: not termios.tcgetattr(frozen)[3] & termios.ICANON, "single keys")
            process.send_signal(signal.SIGTERM)
            assert process.wait(PATIENCE_S) == 0
        finally:
            process.kill()
            process.wait()
        assert receiver.wait_for("/prehowl/bye")
    assert termios.tcgetattr(frozen) == before


def test_a_terminal_that_is_read_late_gets_whole_frames_and_then_the_newest(monkeypatch):
    """Oracle: what was drawn: a frame is all its lines or none of them, in order, and what is
    drawn once the terminal is read again is there."""
    monkeypatch.setattr("prehowl.daemon.sinks.dashboard.terminal.DRAW_S", 0.0)
    ours, theirs = os.openpty()
    with open(theirs, "w", encoding="utf-8") as stream:
        terminal = Terminal(
            Console(file=stream, force_terminal=True, width=WIDTH, height=HEIGHT, no_color=True)
        )

        def draw() -> None:
            terminal.enter()
            for number in range(20):
                terminal.draw(_frame(number))

        assert ended(draw)
        said = _read(ours)
        for number in (20, 21):  # the first may be in the place of what was left of another
            assert terminal.draw(_frame(number))
            said += _read(ours)
        terminal.leave()
        said += _read(ours)
    os.close(ours)
    drawn = [int(word) for word in re.findall(r"frame (\d+)", said)]
    shown = sorted(set(drawn))
    assert drawn == [number for number in shown for _ in range(HEIGHT)]
    assert shown[-1] == 21
    assert len(shown) < 20  # some were left out, else nothing was tried here
    assert said.index("\x1b[?1049h") < said.index("frame 0")
    assert said.rindex("frame 21") < said.index("\x1b[?25h") < said.index("\x1b[?1049l")


def _frame(number: int) -> Text:
    """Return a full screen, each line with the frame's number."""
    line = f"frame {number}".ljust(WIDTH, ".")
    return Text("\n".join([line] * HEIGHT))


def _read(ours: int) -> str:
    """Return what has come."""
    said = b""
    os.set_blocking(ours, False)
    try:
        while True:
            said += os.read(ours, 65536)
    except BlockingIOError:
        return said.decode()
