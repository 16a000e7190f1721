"""The terminal as a thing that is borrowed: switched for the screen, and always given back.

While the screen is up, Ctrl-Z, Ctrl-S and Ctrl-Backslash do nothing: each would stop the watch, or
freeze the picture, behind the back of someone who hit a wrong key in the dark. Ctrl-C keeps its
meaning.
"""

import contextlib
import os
import select
import sys
import termios
import threading
import time
from collections.abc import Mapping
from typing import Any, TextIO, cast

from rich.console import Console

from prehowl.daemon.patient_stream import PatientStream
from prehowl.daemon.sinks.dashboard.keys import KEYS, Keystrokes

DRAW_S = 0.1
"""How long the drawing waits for a terminal that is behind; then it leaves a frame out."""
MOST_TYPED = 4096
"""Bytes in one read: a terminal holds no more (termios(3))."""
LEAVE_S = 0.5
"""How long a terminal that nobody reads is given to take the way back."""


def standard_console() -> Console:
    """Return standard output as a console: a terminal only where it is one.

    FORCE_COLOR, which many scripts and build machines set, lets rich take a pipe for one.
    """
    is_one = sys.stdout is not None and sys.stdout.isatty()
    return Console(force_terminal=None if is_one else False)


def is_usable(console: Console) -> bool:
    """Tell whether a screen can be drawn: a terminal that can address its cells."""
    return console.is_terminal and not console.is_dumb_terminal


class Terminal:
    """Alternate screen, hidden cursor and single keys from `enter` to `leave`.

    Nothing here waits for ever for a terminal that nobody reads (a connection that is frozen).
    `leave` may be called from any thread, and any number of times; only the first acts.
    """

    def __init__(self, console: Console, keys: Mapping[str, str] = KEYS) -> None:
        self._console = console
        self._strokes = Keystrokes(keys)
        self._lock = threading.RLock()
        self._before: list[Any] | None = None
        self._out: PatientStream | None = None  # while the screen is up
        self.keys_fd: int | None = None

    def enter(self) -> None:
        """Switch to the screen; take the keyboard if standard input is one."""
        with self._lock:
            self._out = PatientStream(cast(TextIO, self._console.file))
            with contextlib.suppress(OSError, ValueError, AttributeError):  # no usable stdin
                if os.isatty(sys.stdin.fileno()):
                    self.keys_fd = sys.stdin.fileno()
            if self.keys_fd is not None:
                self._before = termios.tcgetattr(self.keys_fd)
                # At once: to wait until what was written has been read may be for ever.
                termios.tcsetattr(self.keys_fd, termios.TCSANOW, _single_keys(self._before))
            with self._console.capture() as said:
                self._console.set_alt_screen(True)
                self._console.show_cursor(False)
            self._out.write(said.get())
            self._out.settle(DRAW_S)

    def draw(self, frame: Any) -> bool:
        """Paint one frame from the upper left corner; False once the terminal was given back.

        A terminal that has not taken the frame before gets the rest of that in its place.
        """
        with self._lock:
            if self._out is None:
                return False
            if self._out.settle(DRAW_S):
                with self._console.capture() as said:
                    self._console.update_screen(frame)
                self._out.write(said.get())
                self._out.settle(DRAW_S)
            return True

    def leave(self) -> None:
        """Give the terminal back as it was found."""
        with self._lock:
            if self._out is None:
                return
            out, self._out = self._out, None
            try:
                out.give_up()  # a frame's rest; an escape sequence that is cut ends at the next
                with self._console.capture() as said:
                    self._console.show_cursor(True)
                    self._console.set_alt_screen(False)
                out.write(said.get())
                out.settle(LEAVE_S)
            finally:
                out.close()
                if self._before is not None and self.keys_fd is not None:
                    termios.tcsetattr(self.keys_fd, termios.TCSANOW, self._before)

    def wait_for_keys(self, patience_s: float) -> list[str]:
        """Return the actions typed within `patience_s`, as soon as there are any."""
        if self.keys_fd is None:
            time.sleep(patience_s)
            return []
        wait_s = self._strokes.patience_s(patience_s)
        is_ready = bool(select.select([self.keys_fd], [], [], wait_s)[0])
        typed = os.read(self.keys_fd, MOST_TYPED) if is_ready else b""
        if is_ready and not typed:  # the keyboard is gone
            self.keys_fd = None
        return self._strokes.take(typed, time.monotonic())


def _single_keys(before: list[Any]) -> list[Any]:
    """Return the terminal attributes for single keys without echo, from those found."""
    attributes = [*before[:6], list(before[6])]
    attributes[0] &= ~termios.IXON
    attributes[3] &= ~(termios.ECHO | termios.ICANON)
    nothing = os.fpathconf(sys.stdin.fileno(), "PC_VDISABLE").to_bytes(1, "little")
    attributes[6][termios.VSUSP] = nothing
    attributes[6][termios.VQUIT] = nothing
    attributes[6][termios.VMIN] = 1
    attributes[6][termios.VTIME] = 0
    return attributes
