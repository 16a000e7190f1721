"""A ring-out as lines, where there is no screen: one for every change of what is to be done."""

from typing import TextIO

from prehowl.daemon.ringout.acts import Entry, Raised
from prehowl.daemon.ringout.hearing import Deaf
from prehowl.daemon.ringout.state import State
from prehowl.daemon.sinks.ringout.wording import said_words
from prehowl.daemon.sinks.words import time_words


class Lines:
    """A `Watcher` that prints to a stream for people."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self._said = ""
        self._state: State | None = None
        self._deaf: Deaf | None = None

    def on_state(self, state: State, entry: Entry | None) -> None:
        """Print what is to be done, once."""
        self._state = state
        if not isinstance(entry, Raised):
            self._say(state, state.time_s)

    def on_hearing(self, deaf: Deaf | None, time_s: float) -> None:
        """Print that nothing is heard where that comes first, and again what to do when it is."""
        self._deaf = deaf
        if self._state is not None:
            self._say(self._state, max(time_s, self._state.time_s))

    def close(self) -> None:
        """Do nothing: every line is out."""

    def _say(self, state: State, time_s: float) -> None:
        words = said_words(state, self._deaf)
        if words == self._said:
            return
        self._said = words
        print(f"{time_words(time_s):>8}  {words}", file=self._stream, flush=True)
