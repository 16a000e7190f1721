"""A full screen that draws in a thread of its own, reads keys in between and is always given back.

What is drawn and what a key does belong to the owner. If drawing fails, the terminal is given back,
the fault is counted and told, and the owner goes on with plain lines: a broken screen must not end
the job, nor look like a calm one.
"""

import atexit
import contextlib
import os
import signal
import sys
import termios
import threading
import time
from collections.abc import Mapping
from types import FrameType
from typing import Any, Protocol

from rich.console import Console

from prehowl.daemon.errors import UsageError
from prehowl.daemon.patient_stream import PatientStream
from prehowl.daemon.sinks.dashboard.frame import Frame
from prehowl.daemon.sinks.dashboard.glyphs import Signs, signs_for
from prehowl.daemon.sinks.dashboard.terminal import Terminal, is_usable, standard_console
from prehowl.daemon.sinks.dashboard.themes import BY_NAME, PLAIN, Theme, after

FRAMES_PER_S = 6
SLOW_FRAMES_PER_S = 2
"""Where the analysis needs the computer: half a second is what a glance takes anyway."""
JOIN_S = 1.0


class Owner(Protocol):
    """What the screen asks of the one it belongs to; all calls come from the drawing thread."""

    def frame(self, width: int, height: int, theme: Theme, signs: Signs) -> Frame:
        """Return what is to be seen now."""

    def obey(self, action: str) -> None:
        """Do what a key asks for; the theme key never arrives here."""

    def lines_instead(self) -> list[str]:
        """Return what has happened since the last call, once there is no screen any more."""


class FullScreen:
    """The terminal, the thread, and the ways out.

    Parameters
    ----------
    owner : Owner
        Draws and obeys.
    keys : mapping of str to str
        Key or escape sequence to the action's name; small letters stand for both cases.
    theme : str
        'dark', 'light' or 'plain'. Where NO_COLOR is set, 'plain' is taken.
    console : Console, optional
        Where to draw; standard output by default.
    what : str
        How a message about a fault names the screen.
    goes_on : str
        What still works after a fault, and how to end it.

    Attributes
    ----------
    faults : int
        How often drawing has failed; more than 0 means that there is no screen any more.
    """

    def __init__(
        self,
        owner: Owner,
        keys: Mapping[str, str],
        *,
        theme: str,
        console: Console | None,
        what: str,
        goes_on: str,
    ) -> None:
        if theme not in BY_NAME:
            raise UsageError(f"no theme {theme!r}. There are: {', '.join(BY_NAME)}.")
        self.faults = 0
        self.console = standard_console() if console is None else console
        self.theme = PLAIN if self.console.no_color else BY_NAME[theme]
        self._terminal = Terminal(self.console, keys)
        self._signs = signs_for(self.console)
        self._owner = owner
        self._what, self._goes_on = what, goes_on
        self._frames_per_s = FRAMES_PER_S
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._term_before: Any = None

    @property
    def has_keys(self) -> bool:
        """Tell whether there is a keyboard; known once the screen has started."""
        return self._terminal.keys_fd is not None

    def take(self) -> None:
        """Take the terminal, and see that it is given back on every way out.

        Raises
        ------
        UsageError
            If there is no terminal that can be drawn on.
        """
        if not is_usable(self.console):
            raise UsageError(
                f"{self._what} needs a terminal, and standard output is none "
                "(or TERM is 'dumb'). Use --headless, or --format table for plain lines."
            )
        atexit.register(self._terminal.leave)
        self._guard_against_sigterm()
        self._terminal.enter()

    def start(self) -> None:
        """Begin to draw; `take` comes before."""
        self._thread = threading.Thread(target=self._run, name="screen", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Stop drawing and give the terminal back; may be called twice."""
        self._stop.set()
        try:
            if self._thread is not None and self._thread is not threading.current_thread():
                self._thread.join(JOIN_S)
        finally:
            self._terminal.leave()
            # Not before: if a second Ctrl-C keeps us from it, the interpreter's exit tries again.
            atexit.unregister(self._terminal.leave)
            if self._term_before is not None:
                signal.signal(signal.SIGTERM, self._term_before)
                self._term_before = None

    def draw_slowly(self, is_slow: bool) -> None:
        """Draw less often from now on, or as usual. From any thread."""
        self._frames_per_s = SLOW_FRAMES_PER_S if is_slow else FRAMES_PER_S

    def do(self, action: str) -> None:
        """Do what a key asks for: change the theme here, leave the rest to the owner."""
        if action == "theme":
            self.theme = after(self.theme)
        else:
            self._owner.obey(action)

    def _run(self) -> None:
        """Draw until told to stop; after a fault, tell of it and print lines."""
        try:
            while not self._stop.is_set():
                self._draw()
                self._read_keys(1 / self._frames_per_s)
        except Exception as fault:  # whatever breaks the screen must not break the job
            self.faults += 1
            with contextlib.suppress(OSError, termios.error):  # it may be the terminal that is gone
                self._terminal.leave()
            self._print_lines(
                f"prehowl: {self._what} has failed ({type(fault).__name__}: {fault}). "
                f"{self._goes_on}"
            )

    def _draw(self) -> None:
        width, height = self.console.size
        self._terminal.draw(self._owner.frame(width, height, self.theme, self._signs))

    def _read_keys(self, patience_s: float) -> None:
        """Wait for the next frame; a key is obeyed, and shown, at once."""
        until_s = time.monotonic() + patience_s
        while (left_s := until_s - time.monotonic()) > 0 and not self._stop.is_set():
            actions = self._terminal.wait_for_keys(left_s)
            for action in actions:
                self.do(action)
            if actions:
                return

    def _print_lines(self, first: str) -> None:
        """Print until told to stop; a terminal that nobody reads must not hold up the end."""
        stderr, lines = PatientStream(sys.stderr), [first]
        while True:
            with contextlib.suppress(OSError):  # nobody reads, or nobody is there any more
                stderr.write("".join(f"{line}\n" for line in lines))
                stderr.flush()
            if self._stop.wait(1 / FRAMES_PER_S):
                break
            lines = self._owner.lines_instead()
        stderr.close()

    def _guard_against_sigterm(self) -> None:
        """Give the terminal back before SIGTERM kills us, where nobody else handles it."""
        is_main = threading.current_thread() is threading.main_thread()
        if is_main and signal.getsignal(signal.SIGTERM) is signal.SIG_DFL:
            self._term_before = signal.signal(signal.SIGTERM, self._on_sigterm)

    def _on_sigterm(self, number: int, _frame: FrameType | None) -> None:
        self._stop.set()
        self._terminal.leave()
        signal.signal(number, signal.SIG_DFL)
        os.kill(os.getpid(), number)
