"""The dashboard as a sink: takes events and snapshots at once, draws in a thread of its own.

The loop's thread only stores what is newest under a short lock; `FullScreen` has the thread that
draws and reads keys. After a fault of the screen alarms go on as plain lines.
"""

import threading
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence

from rich.console import Console

from prehowl.daemon.alerts_now import AlertsNow
from prehowl.daemon.events import RingEvent
from prehowl.daemon.notes import Note
from prehowl.daemon.osc_in.verbs import Command, Verb
from prehowl.daemon.sinks.base import Snapshot
from prehowl.daemon.sinks.dashboard.frame import Frame
from prehowl.daemon.sinks.dashboard.glyphs import Signs
from prehowl.daemon.sinks.dashboard.keys import KEYS
from prehowl.daemon.sinks.dashboard.layout import layout_of
from prehowl.daemon.sinks.dashboard.model import Model
from prehowl.daemon.sinks.dashboard.render import render
from prehowl.daemon.sinks.dashboard.themes import Theme
from prehowl.daemon.sinks.full_screen import FullScreen
from prehowl.daemon.sinks.screen_sink import ScreenSink
from prehowl.daemon.sinks.table import table_line
from prehowl.daemon.weak_bands import WeakBands

PENDING_LINES = 200
COMMAND_KEYS = {
    "next_act": Verb.NEXT_ACT,
    "previous_act": Verb.PREVIOUS_ACT,
    "acknowledge": Verb.ACKNOWLEDGE,
}
"""Keys that the desk hears of, by their action."""


def _do_nothing() -> None:
    """Stand in where nobody wants to know that the person quits."""


def _no_desk(_command: Command) -> None:
    """Stand in where nobody takes commands."""


class Dashboard(ScreenSink[Model]):
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
        self._screen = FullScreen(
            self,
            KEYS,
            theme=theme,
            console=console,
            what="the dashboard",
            goes_on="The watch goes on; alarms follow as lines. Stop with Ctrl-C.",
        )
        self._model = Model(names, channel_numbers, title, weak_bands=weak_bands)
        self._numbers = tuple(channel_numbers or range(1, len(names) + 1))
        self._on_quit = on_quit
        self._on_command = on_command
        self._clock = clock
        self._lock = threading.Lock()
        self._told = AlertsNow()
        self._pending: deque[RingEvent] = deque(maxlen=PENDING_LINES)

    def on_event(self, event: RingEvent) -> None:
        """Take one event; returns at once."""
        with self._lock:
            news = self._told.take(event)
            if news is not None:
                self._pending.append(news.alert)
            if not self.faults:
                self._model.take_event(event, self._clock())

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Take the state of things; returns at once."""
        with self._lock:
            self._model.take_snapshot(snapshot, self._clock())

    def on_note(self, note: Note) -> None:
        """Take one note; returns at once."""
        with self._lock:
            self._model.take_note(note, self._clock())

    def frame(self, width: int, height: int, theme: Theme, signs: Signs) -> Frame:
        """Return what is to be seen now."""
        now_s = self._clock()
        with self._lock:
            view = self._model.view(now_s)
            self._pending.clear()
        return render(view, width, height, theme, now_s, signs)

    def obey(self, action: str) -> None:
        """Do what a key asks for."""
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

    def lines_instead(self) -> list[str]:
        """Return a line for each alert that has changed since the last call."""
        with self._lock:
            lines = [table_line(event) for event in self._pending]
            self._pending.clear()
        return lines

    def _page_after(self, action: str) -> int:
        """Return the page that a key asks for."""
        numbers, worst = self._numbers, self._model.worst_channel()
        row = numbers.index(worst) if worst in numbers else 0
        layout = layout_of(*self._screen.console.size, numbers)
        return layout.page_after(action, self._model.page, len(numbers), row)
