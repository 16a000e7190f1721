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
from typing import Any

from rich.console import Console

KEYS = {
    "\x1b[C": "next", "\x1b[6~": "next", "n": "next", " ": "next",
    "\x1b[D": "back", "\x1b[5~": "back", "p": "back",
    "\x1bOC": "next", "\x1bOD": "back",
    "a": "acknowledge", "\r": "acknowledge", "\n": "acknowledge",
    "]": "next_act", "[": "previous_act",
    **{digit: f"pick {digit}" for digit in "0123456789"},
    "w": "worst", "t": "theme", "q": "quit",
}  # fmt: skip


def is_usable(console: Console) -> bool:
    """Tell whether a screen can be drawn: a terminal that can address its cells."""
    return console.is_terminal and not console.is_dumb_terminal


def actions_of(typed: str, keys: Mapping[str, str] = KEYS) -> list[str]:
    """Return what each key in a burst of input asks for; unknown keys ask for nothing.

    Parameters
    ----------
    typed : str
        What the terminal delivered.
    keys : mapping of str to str
        Key or escape sequence to action; the dashboard's by default. A small letter stands for
        both cases.
    """
    found, at = [], 0
    while at < len(typed):
        length = _escape_length(typed, at) if typed[at] == "\x1b" else 1
        word = typed[at : at + length]
        action = keys.get(word if length > 1 else word.lower())
        found += [action] if action else []
        at += length
    return found


def _escape_length(typed: str, at: int) -> int:
    """Return how many characters an escape sequence takes, so that its tail is no key."""
    if typed[at + 1 : at + 2] not in ("[", "O"):
        return 1
    end = at + 2
    while end < len(typed) and not typed[end].isalpha() and typed[end] != "~":
        end += 1
    return end + 1 - at


class Terminal:
    """Alternate screen, hidden cursor and single keys from `enter` to `leave`.

    `leave` may be called from any thread, and any number of times; only the first acts.
    """

    def __init__(self, console: Console, keys: Mapping[str, str] = KEYS) -> None:
        self._console = console
        self._keys = keys
        self._lock = threading.RLock()
        self._before: list[Any] | None = None
        self._is_in = False
        self.keys_fd: int | None = None

    def enter(self) -> None:
        """Switch to the screen; take the keyboard if standard input is one."""
        with self._lock:
            self._is_in = True
            with contextlib.suppress(OSError, ValueError, AttributeError):  # no usable stdin
                if os.isatty(sys.stdin.fileno()):
                    self.keys_fd = sys.stdin.fileno()
            if self.keys_fd is not None:
                self._before = termios.tcgetattr(self.keys_fd)
                termios.tcsetattr(self.keys_fd, termios.TCSADRAIN, _single_keys(self._before))
            self._console.set_alt_screen(True)
            self._console.show_cursor(False)

    def draw(self, frame: Any) -> bool:
        """Paint one frame from the upper left corner; False once the terminal was given back."""
        with self._lock:
            if self._is_in:
                self._console.update_screen(frame)
            return self._is_in

    def leave(self) -> None:
        """Give the terminal back as it was found."""
        with self._lock:
            if not self._is_in:
                return
            self._is_in = False
            try:
                self._console.show_cursor(True)
                self._console.set_alt_screen(False)
            finally:
                if self._before is not None and self.keys_fd is not None:
                    termios.tcsetattr(self.keys_fd, termios.TCSADRAIN, self._before)

    def wait_for_keys(self, patience_s: float) -> list[str]:
        """Return the actions typed within `patience_s`, as soon as there are any."""
        if self.keys_fd is None:
            time.sleep(patience_s)
            return []
        ready, _, _ = select.select([self.keys_fd], [], [], patience_s)
        if not ready:
            return []
        typed = os.read(self.keys_fd, 64)
        if not typed:  # the keyboard is gone
            self.keys_fd = None
        return actions_of(typed.decode("utf-8", "replace"), self._keys)


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
