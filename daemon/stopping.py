"""Ctrl-C and SIGTERM as a flag that the loop looks at, so that a stop is always a clean one."""

import contextlib
import signal
import threading
from collections.abc import Iterator
from types import FrameType
from typing import Protocol

SIGNALS = (signal.SIGINT, signal.SIGTERM)


class Stop(Protocol):
    """Anything that can tell whether to stop; `threading.Event` will do."""

    def is_set(self) -> bool:
        """Tell whether the loop should end now."""


class StopFlag:
    """A stop request, with the signal that made it.

    Takes no lock, unlike `threading.Event`: a handler that runs while the main thread is inside
    `Event.wait` would wait for ever for the lock that its own thread holds.
    """

    def __init__(self) -> None:
        self._is_set = False
        self.signal_number: int | None = None

    def is_set(self) -> bool:
        """Tell whether the loop should end now."""
        return self._is_set

    def set(self, signal_number: int | None = None) -> None:
        """Ask for the end; the number of the signal that asked first is kept."""
        if not self._is_set:
            self.signal_number = signal_number
        self._is_set = True

    @property
    def exit_code(self) -> int:
        """What a shell expects: 128 + signal if one stopped us, else 0."""
        return 0 if self.signal_number is None else 128 + self.signal_number


class StoppedEarly(Exception):
    """Somebody asked for the end before there was anything to end."""


@contextlib.contextmanager
def stop_on_signals() -> Iterator[StopFlag]:
    """Turn the first Ctrl-C or SIGTERM inside the block into a set flag; restore handlers after.

    A second signal raises KeyboardInterrupt: the way out if something hangs. Outside the main
    thread, where Python allows no handlers, the flag is yielded and never set by a signal.
    """
    flag = StopFlag()
    if threading.current_thread() is not threading.main_thread():
        yield flag
        return

    def handle(number: int, _frame: FrameType | None) -> None:
        if flag.is_set():
            raise KeyboardInterrupt
        flag.set(number)

    before = {number: signal.signal(number, handle) for number in SIGNALS}
    try:
        yield flag
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
