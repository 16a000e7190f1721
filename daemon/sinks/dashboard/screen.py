"""The dashboard as a sink: takes events and snapshots at once, draws in a thread of its own.

The loop's thread only stores what is newest under a short lock. The drawing thread paints at most
`FRAMES_PER_S` times a second and reads keys in between. If drawing fails, the terminal is given
back, the fault is counted and told, and alarms go on as plain lines: a broken screen must not end
the watch, nor look like a calm one.
"""

import atexit
import os
import signal
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from types import FrameType
from typing import Any

from rich.console import Console

from prehowl.daemon.errors import UsageError
from prehowl.daemon.events import RingEvent
from prehowl.daemon.notes import Note
from prehowl.daemon.osc_in.verbs import Command, Verb
from prehowl.daemon.sinks.base import Snapshot
from prehowl.daemon.sinks.dashboard.glyphs import ASCII, UNICODE
from prehowl.daemon.sinks.dashboard.layout import layout_of
from prehowl.daemon.sinks.dashboard.model import Model
from prehowl.daemon.sinks.dashboard.render import render
from prehowl.daemon.sinks.dashboard.terminal import Terminal, is_usable
from prehowl.daemon.sinks.dashboard.themes import BY_NAME, PLAIN, after
from prehowl.daemon.sinks.table import table_line
from prehowl.daemon.weak_bands import WeakBands

FRAMES_PER_S = 6
PENDING_LINES = 200
COMMAND_KEYS = {
    "next_act": Verb.NEXT_ACT,
    "previous_act": Verb.PREVIOUS_ACT,
    "acknowledge": Verb.ACKNOWLEDGE,
}
"""Keys that the desk hears of, by their action."""
JOIN_S = 1.0


def _do_nothing() -> None:
    """Stand in where nobody wants to know that the person quits."""


def _no_desk(_command: Command) -> None:
    """Stand in where nobody takes commands."""


class Dashboard:
    """Full-screen view of the watch.

    Parameters
    ----------
    names : sequence of str
        Channel names in the order of the snapshots' rows; '' gives 'Ch n'.
    channel_numbers : sequence of int, optional
        Number of each row on the interface; 1, 2, 3... by default.
    theme : str
        'dark', 'light' or 'plain'. Where NO_COLOR is set, 'plain' is taken.
    title : str
        The show or act, for the top line.
    console : Console, optional
        Where to draw; standard output by default.
    on_quit : callable
        Called from the drawing thread when the person has asked twice to quit; sets a flag.
    on_command : callable
        Given what keys ask of the watch, from the drawing thread: `Desk.put`.
    clock : callable
        The reader's monotonic time in seconds.
    weak_bands : mapping, optional
        Channel number -> what its EQ sheet says; these bands carry a mark.

    Attributes
    ----------
    faults : int
        How often drawing has failed; more than 0 means that there is no screen any more.
    """

    def __init__(
        self,
        names: Sequence[str],
        *,
        channel_numbers: Sequence[int] | None = None,
        theme: str = "dark",
        title: str = "",
        console: Console | None = None,
        on_quit: Callable[[], object] = _do_nothing,
        on_command: Callable[[Command], object] = _no_desk,
        clock: Callable[[], float] = time.monotonic,
        weak_bands: Mapping[int, WeakBands] | None = None,
    ) -> None:
        if theme not in BY_NAME:
            raise UsageError(f"no theme {theme!r}. There are: {', '.join(BY_NAME)}.")
        self.faults = 0
        self._console = Console() if console is None else console
        self._terminal = Terminal(self._console)
        self._theme = PLAIN if self._console.no_color else BY_NAME[theme]
        self._signs = ASCII if self._console.options.ascii_only else UNICODE
        self._model = Model(names, channel_numbers, title, weak_bands=weak_bands)
        self._numbers = tuple(channel_numbers or range(1, len(names) + 1))
        self._on_quit = on_quit
        self._on_command = on_command
        self._clock = clock
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._pending: deque[RingEvent] = deque(maxlen=PENDING_LINES)
        self._thread: threading.Thread | None = None
        self._term_before: Any = None

    @staticmethod
    def is_possible(console: Console | None = None) -> bool:
        """Tell whether there is a terminal to draw on; if not, print lines instead."""
        return is_usable(Console() if console is None else console)

    def start(self) -> None:
        """Take the terminal and begin to draw.

        Raises
        ------
        UsageError
            If there is no terminal that can be drawn on.
        """
        if not is_usable(self._console):
            raise UsageError(
                "the dashboard needs a terminal, and standard output is none "
                "(or TERM is 'dumb'). Use --headless, or --format table for plain lines."
            )
        atexit.register(self._terminal.leave)
        self._guard_against_sigterm()
        self._terminal.enter()
        self._model.has_keys = self._terminal.keys_fd is not None
        self._thread = threading.Thread(target=self._run, name="dashboard", daemon=True)
        self._thread.start()

    def on_event(self, event: RingEvent) -> None:
        """Take one event; returns at once."""
        with self._lock:
            self._pending.append(event)
            if not self.faults:
                self._model.take_event(event, self._clock())

    def on_note(self, note: Note) -> None:
        """Take one note; returns at once."""
        with self._lock:
            self._model.take_note(note, self._clock())

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Take the state of things; returns at once."""
        with self._lock:
            self._model.take_snapshot(snapshot, self._clock())

    def close(self) -> None:
        """Stop drawing and give the terminal back; may be called twice."""
        self._stop.set()
        try:
            if self._thread is not None and self._thread is not threading.current_thread():
                self._thread.join(JOIN_S)
        finally:
            self._terminal.leave()
            atexit.unregister(self._terminal.leave)
            if self._term_before is not None:
                signal.signal(signal.SIGTERM, self._term_before)
                self._term_before = None

    def _run(self) -> None:
        """Draw until told to stop; after a fault, tell of it and print lines."""
        try:
            while not self._stop.is_set():
                self._draw()
                self._read_keys(1 / FRAMES_PER_S)
        except Exception as fault:  # whatever breaks the screen must not break the watch
            self.faults += 1
            self._terminal.leave()
            self._say(
                f"prehowl: the dashboard has failed ({type(fault).__name__}: {fault}). "
                "The watch goes on; alarms follow as lines. Stop with Ctrl-C."
            )
            self._print_lines()

    def _draw(self) -> None:
        now_s = self._clock()
        width, height = self._console.size
        with self._lock:
            view = self._model.view(now_s)
            self._pending.clear()
        self._terminal.draw(render(view, width, height, self._theme, now_s, self._signs))

    def _read_keys(self, patience_s: float) -> None:
        """Wait for the next frame; a key is obeyed, and shown, at once."""
        until_s = time.monotonic() + patience_s
        while (left_s := until_s - time.monotonic()) > 0 and not self._stop.is_set():
            actions = self._terminal.wait_for_keys(left_s)
            for action in actions:
                self._obey(action)
            if actions:
                return

    def _obey(self, action: str) -> None:
        if action == "theme":
            self._theme = after(self._theme)
            return
        if action in COMMAND_KEYS:
            # Told to the desk as well, so that it is in the event stream; done here at once, so
            # that it works while no audio comes.
            self._on_command(Command(COMMAND_KEYS[action], "key"))
        if action in ("next_act", "previous_act") or action.startswith("pick"):
            return
        with self._lock:
            has_quit = action == "quit" and self._model.ask_to_quit(self._clock())
            if action == "acknowledge":
                self._model.acknowledge()
            elif action != "quit":
                self._model.page = self._page_after(action)
        if has_quit:
            self._on_quit()

    def _page_after(self, action: str) -> int:
        """Return the page that a key asks for; pages go round."""
        width, height = self._console.size
        layout = layout_of(width, height, self._numbers)
        pages = layout.pages(len(self._numbers))
        if action == "worst":
            worst = self._model.worst_channel()
            known = worst in self._numbers
            return self._numbers.index(worst) // max(1, layout.channels) if known else 0
        page = min(self._model.page, pages - 1)
        return (page + (1 if action == "next" else -1)) % pages

    def _print_lines(self) -> None:
        while not self._stop.wait(1 / FRAMES_PER_S):
            with self._lock:
                lines = [table_line(event) for event in self._pending]
                self._pending.clear()
            for line in lines:
                self._say(line)

    @staticmethod
    def _say(text: str) -> None:
        sys.stderr.write(f"{text}\n")
        sys.stderr.flush()

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
