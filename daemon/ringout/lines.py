"""A ring-out as lines, where there is no screen: one for every change of what is to be done."""

from typing import TextIO

from prehowl.daemon.ringout.acts import Entry, Raised
from prehowl.daemon.ringout.state import State
from prehowl.daemon.sinks.ringout.wording import task_words
from prehowl.daemon.sinks.words import time_words


class Lines:
    """A `Watcher` that prints to a stream for people."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self._said = ""

    def on_state(self, state: State, entry: Entry | None) -> None:
        """Print what is to be done, once."""
        words = task_words(state)
        if isinstance(entry, Raised) or words == self._said:
            return
        self._said = words
        print(f"{time_words(state.time_s):>8}  {words}", file=self._stream, flush=True)

    def close(self) -> None:
        """Do nothing: every line is out."""
