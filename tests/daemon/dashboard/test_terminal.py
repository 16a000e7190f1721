"""On a real pseudo-terminal: the dashboard draws, obeys keys, and always gives the terminal back.

Oracles: the terminal's own attributes (tcgetattr) before and after, and the DEC private modes
that terminals document (1049: alternate screen, 25: cursor; from memory).
"""

import contextlib
import fcntl
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from pathlib import Path

import pytest

FEEDER = Path(__file__).with_name("feeder.py")
PATIENCE_S = 20.0
SCREEN_ON, SCREEN_OFF = "\x1b[?1049h", "\x1b[?1049l"
CURSOR_OFF, CURSOR_ON = "\x1b[?25l", "\x1b[?25h"


class Watched:
    """The feeder running in a pseudo-terminal of 80x24, with all that it has written."""

    def __init__(self, *args, **environment):
        self.ours, self.theirs = pty.openpty()
        fcntl.ioctl(self.theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        self.before = termios.tcgetattr(self.theirs)
        self.said = ""
        plain = {
            key: value
            for key, value in os.environ.items()
            if key not in ("NO_COLOR", "COLUMNS", "LINES")
        }
        settings = {"TERM": "xterm-256color", "LC_ALL": "C.UTF-8", "PYTHONUTF8": "1", **environment}
        self.process = subprocess.Popen(
            [sys.executable, str(FEEDER), *args],
            stdin=self.theirs, stdout=self.theirs, stderr=self.theirs,
            env=plain | settings, start_new_session=True,
        )  # fmt: skip

    def read_some(self):
        """Take what has come within a tenth of a second."""
        if select.select([self.ours], [], [], 0.1)[0]:
            self.said += os.read(self.ours, 65536).decode("utf-8", "replace")

    def wait_for(self, words, start=0):
        """Read until the words have been drawn."""
        until = time.monotonic() + PATIENCE_S
        while words not in self.said[start:]:
            assert time.monotonic() < until, f"{words!r} never came: {self.said[-2000:]!r}"
            self.read_some()

    def type(self, keys):
        """Press keys; return where in the output the answer will begin."""
        self.read_some()
        os.write(self.ours, keys.encode())
        return len(self.said)

    def end(self):
        """Wait for the end of the process and read the rest; return its exit code."""
        until = time.monotonic() + PATIENCE_S
        while self.process.poll() is None:
            assert time.monotonic() < until, "the feeder did not end"
            self.read_some()
        self.read_some()
        return self.process.returncode

    def check_restored(self):
        """Screen and cursor are back, in this order of things, and the keyboard is as before."""
        assert self.said.count(SCREEN_ON) == self.said.count(SCREEN_OFF) == 1
        assert self.said.index(SCREEN_ON) < self.said.rindex(SCREEN_OFF)
        assert self.said.rindex(CURSOR_OFF) < self.said.rindex(CURSOR_ON)
        assert "2.5 kHz" not in self.said[self.said.rindex(SCREEN_OFF) :].split("prehowl:")[0]
        assert termios.tcgetattr(self.theirs) == self.before

    def close(self):
        """Leave nothing behind."""
        with contextlib.suppress(ProcessLookupError):
            self.process.kill()
        self.process.wait()
        os.close(self.ours)
        os.close(self.theirs)


@pytest.fixture
def watch():
    """Start feeders, and end them all."""
    running = []

    def start(*args, **environment):
        running.append(Watched(*args, **environment))
        return running[-1]

    yield start
    for one in running:
        one.close()


def test_draws_obeys_and_ends_by_key(watch):
    """The alert is drawn; pages, themes and acknowledging answer; q q ends it and restores all."""
    seen = watch("ringing")
    seen.wait_for("RINGING Vox 1: pull 2.5 kHz -3 dB")
    assert not termios.tcgetattr(seen.theirs)[3] & (termios.ECHO | termios.ICANON)
    seen.wait_for("page 2 of 7", seen.type("n"))
    seen.wait_for("page 1 of 7", seen.type("\x1b[D"))
    seen.wait_for("SUSPECT Fiddle: watch 630 Hz", seen.type("a"))
    seen.wait_for("press q again", seen.type("q"))
    seen.type("q")
    assert seen.end() == 0
    seen.check_restored()


def test_sigterm_gives_the_terminal_back(watch):
    """Killed politely where no handler is set: restored, and the exit status tells the signal."""
    seen = watch("howling")
    seen.wait_for("HOWLING Vox 1")
    seen.process.send_signal(signal.SIGTERM)
    assert seen.end() == -signal.SIGTERM
    seen.check_restored()


def test_ctrl_c_gives_the_terminal_back(watch):
    """Ctrl-C keeps its meaning; the interpreter's exit restores what nobody closed."""
    seen = watch("calm")
    seen.wait_for("No ring. Loudest")
    seen.process.send_signal(signal.SIGINT)
    assert seen.end() != 0
    assert "KeyboardInterrupt" in seen.said
    seen.check_restored()


def test_an_exit_without_close_gives_the_terminal_back(watch):
    """A program that leaves by SystemExit and never calls `close` is restored all the same."""
    seen = watch("calm", "no-close")
    assert seen.end() == 5
    seen.check_restored()


def test_a_fault_in_drawing_gives_the_terminal_back_and_alarms_go_on(watch):
    """After an exception in the drawing thread: restored, told in one line, alarms as lines."""
    seen = watch("calm", "fault")
    seen.wait_for("dashboard has failed (RuntimeError: broken on purpose)")
    seen.wait_for("HOWLING  Vox 2")
    seen.check_restored()
    assert "Traceback" not in seen.said
    seen.process.send_signal(signal.SIGTERM)
    seen.end()
    assert termios.tcgetattr(seen.theirs) == seen.before


def test_a_slip_on_suspend_or_freeze_keys_does_not_stop_the_watch(watch):
    """Ctrl-Z, Ctrl-S and Ctrl-Backslash are no commands any more, Ctrl-C still is one.

    Oracle: the terminal's own attributes; a disabled key holds _POSIX_VDISABLE.
    """
    seen = watch("calm")
    seen.wait_for("No ring")
    off = os.fpathconf(seen.theirs, "PC_VDISABLE").to_bytes(1, "little")
    now = termios.tcgetattr(seen.theirs)
    assert now[6][termios.VSUSP] == now[6][termios.VQUIT] == off
    assert not now[0] & termios.IXON
    assert now[3] & termios.ISIG
    assert now[6][termios.VINTR] == seen.before[6][termios.VINTR] != off
    seen.wait_for("12:36", seen.type("\x1a\x13\x1c"))
    assert seen.process.poll() is None


def test_a_resized_window_is_filled_at_once(watch):
    """After a resize to 120x40 the frame has the new width: the axis shows octaves."""
    seen = watch("calm")
    seen.wait_for("No ring")
    assert "31.5  63    125" not in seen.said
    start = len(seen.said)
    fcntl.ioctl(seen.theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 120, 0, 0))
    seen.wait_for("31.5  63    125", start)


@pytest.mark.parametrize(
    ("environment", "colours", "ascii_only"),
    [
        ({"NO_COLOR": "1"}, False, False),
        ({"LC_ALL": "C"}, True, True),
        ({"PYTHONUTF8": "0", "PYTHONIOENCODING": "ascii"}, True, True),
    ],
)
def test_poor_terminals_get_what_they_can_show(watch, environment, colours, ascii_only):
    """NO_COLOR: no colour codes; LC_ALL=C alone, or an output in ASCII: ASCII only.

    The alert's words are there in all of them.
    """
    seen = watch("howling", **environment)
    seen.wait_for("HOWLING Vox 1: pull 2.5 kHz -3 dB")
    assert bool(re.search(r"\x1b\[[0-9;]*[34]8;", seen.said)) is colours
    assert seen.said.isascii() is ascii_only
