"""What every sink with a full screen of its own does alike: begin, end, tell of faults."""

from typing import Generic, Protocol, TypeVar

from rich.console import Console

from prehowl.daemon.sinks.dashboard.terminal import is_usable, standard_console
from prehowl.daemon.sinks.full_screen import FullScreen


class KeyedModel(Protocol):
    """What a screen shows, as far as it must know whether there is a keyboard."""

    has_keys: bool


M = TypeVar("M", bound=KeyedModel)


class ScreenSink(Generic[M]):
    """Base of such sinks; they set `_screen` and `_model` themselves."""

    _screen: FullScreen
    _model: M

    @property
    def faults(self) -> int:
        """How often drawing has failed; more than 0: there is no screen any more."""
        return self._screen.faults

    @staticmethod
    def is_possible(console: Console | None = None) -> bool:
        """Tell whether there is a terminal to draw on; if not, print lines instead."""
        return is_usable(standard_console() if console is None else console)

    def start(self) -> None:
        """Take the terminal and begin to draw.

        Raises
        ------
        UsageError
            If there is no terminal that can be drawn on.
        """
        self._screen.take()
        self._model.has_keys = self._screen.has_keys
        self._screen.start()

    def draw_slowly(self, is_slow: bool) -> None:
        """Draw less often from now on, or as usual."""
        self._screen.draw_slowly(is_slow)

    def close(self) -> None:
        """Stop drawing and give the terminal back; may be called twice."""
        self._screen.close()
