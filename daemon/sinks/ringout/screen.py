"""The ring-out screen: a sink for levels, a watcher of the ring-out, and the person's keys.

The loop's thread only stores what is newest under a short lock; `FullScreen` has the thread that
draws and reads keys. What a key means goes to `submit`, which returns at once.
"""

import threading
import time
from collections import deque
from collections.abc import Callable

from rich.console import Console

from prehowl.daemon.events import RingEvent
from prehowl.daemon.ringout.acts import Entry, PersonAct
from prehowl.daemon.ringout.hearing import Deaf
from prehowl.daemon.ringout.state import State
from prehowl.daemon.sinks.base import Snapshot
from prehowl.daemon.sinks.dashboard.frame import Frame
from prehowl.daemon.sinks.dashboard.glyphs import Signs
from prehowl.daemon.sinks.dashboard.themes import Theme
from prehowl.daemon.sinks.full_screen import FullScreen
from prehowl.daemon.sinks.ringout.keys import KEYS
from prehowl.daemon.sinks.ringout.model import Model
from prehowl.daemon.sinks.ringout.render import render
from prehowl.daemon.sinks.ringout.wording import said_words
from prehowl.daemon.sinks.screen_sink import ScreenSink

PENDING_LINES = 50


class RingoutScreen(ScreenSink[Model]):
    """Full-screen view of a ring-out, with keys.

    Parameters
    ----------
    submit : callable
        Takes what the person did; returns at once. Called from the drawing thread.
    title : str
        Mix, monitor and microphone.
    channel_row : int
        Row of the channel in the snapshots.
    theme : str
        'dark', 'light' or 'plain'. Where NO_COLOR is set, 'plain' is taken.
    on_quit : callable
        Called from the drawing thread when the person leaves; sets a flag.
    console : Console, optional
        Where to draw; standard output by default.
    clock : callable
        The reader's monotonic time in seconds.
    """

    def __init__(
        self,
        submit: Callable[[PersonAct], object],
        *,
        title: str = "",
        channel_row: int = 0,
        theme: str = "dark",
        on_quit: Callable[[], object],
        console: Console | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._screen = FullScreen(
            self,
            KEYS,
            theme=theme,
            console=console,
            what="the ring-out screen",
            goes_on="The ring-out goes on, its instructions follow as lines, OSC is obeyed. "
            "Stop with Ctrl-C: nothing is lost, prehowl ringout --resume goes on.",
        )
        self._model = Model(title, channel_row)
        self._submit, self._on_quit, self._clock = submit, on_quit, clock
        self._lock = threading.Lock()
        self._pending: deque[str] = deque(maxlen=PENDING_LINES)
        self._noted = ""
        self._deaf: Deaf | None = None  # as the lines tell it; the page asks for itself

    def on_event(self, event: RingEvent) -> None:
        """Let it pass: the ring-out says what follows from it."""

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Take level, time and health; returns at once."""
        with self._lock:
            self._model.take_snapshot(snapshot, self._clock())

    def on_state(self, state: State, entry: Entry | None) -> None:
        """Take what the ring-out knows now; returns at once."""
        with self._lock:
            self._model.take_state(state, self._clock())
            self._note_line(state)

    def on_hearing(self, deaf: Deaf | None) -> None:
        """Take why nothing is heard, for the lines after a fault; returns at once."""
        with self._lock:
            self._deaf = deaf
            if self._model.state is not None:
                self._note_line(self._model.state)

    def note(self, text: str) -> None:
        """Add a line to what is shown at the end, such as where the sheet is."""
        with self._lock:
            self._model.note(text)

    def note_trouble(self, text: str) -> None:
        """Add a line of a trouble, before all else that is said at the end."""
        with self._lock:
            self._model.note_trouble(text)

    def frame(self, width: int, height: int, theme: Theme, signs: Signs) -> Frame:
        """Return what is to be seen now."""
        now_s = self._clock()
        with self._lock:
            view = self._model.view(now_s)
        return render(view, width, height, theme, now_s, signs)

    def obey(self, action: str) -> None:
        """Do what a key asks for."""
        with self._lock:
            act, has_left = self._model.press(action, self._clock())
        if act is not None:
            self._submit(act)
        if has_left:
            self._on_quit()

    def lines_instead(self) -> list[str]:
        """Return the instructions since the last call."""
        with self._lock:
            lines = [f"prehowl: {text}" for text in self._pending]
            self._pending.clear()
        return lines

    def _note_line(self, state: State) -> None:
        text = said_words(state, self._deaf)
        if text != self._noted:
            self._noted = text
            self._pending.append(text)
