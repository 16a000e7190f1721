"""SIGHUP reads the show file again; a wrong one changes nothing but a line in the log."""

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType

from prehowl.daemon.errors import PrehowlError
from prehowl.daemon.events import RingEvent
from prehowl.daemon.sinks.base import Snapshot

Made = tuple[Callable[[], None], str]
"""What puts the new show file in force, and what is to be said then."""


class Reloader:
    """Asked by a signal, prepares in a thread, puts in force on the loop's. A `Sink`."""

    def __init__(
        self,
        make: Callable[[], Made],
        say: Callable[[str], None],
        warn: Callable[[str], None],
        *,
        before: Callable[[], None] = lambda: None,
        after: Callable[[], None] = lambda: None,
    ) -> None:
        """Prepare.

        Parameters
        ----------
        make : callable
            Reads the show file and makes what it asks for; raises PrehowlError where it is wrong.
        say, warn : callable
            For what was done, and for what was not.
        before, after : callable
            Called around each reading: a service manager wants to know.
        """
        self._make = make
        self._say, self._warn = say, warn
        self._before, self._after = before, after
        self._is_asked = False
        self._worker: threading.Thread | None = None
        self._made: Made | None = None
        self._fault = ""

    def ask(self) -> None:
        """Ask for it; callable from a signal handler."""
        self._is_asked = True

    def start(self) -> None:
        """Do nothing: only a signal begins."""

    def on_event(self, event: RingEvent) -> None:
        """Let it pass."""

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Begin if asked; take what has been prepared."""
        if self._worker is not None:
            if not self._worker.is_alive():
                self._worker = None
                self._take()
        elif self._is_asked:
            self._is_asked = False
            self._before()
            self._worker = threading.Thread(target=self._prepare, name="reload", daemon=True)
            self._worker.start()

    def close(self) -> None:
        """Do nothing: what is being prepared is of no use any more."""

    def _prepare(self) -> None:
        """Read and make, off the loop's thread: a large show takes some hundredths of a second."""
        self._made, self._fault = None, ""
        try:
            self._made = self._make()
        except PrehowlError as fault:
            self._fault = str(fault)

    def _take(self) -> None:
        if self._made is None:
            self._warn(f"show file not taken, the one before stays in force: {self._fault}")
        else:
            put_in_force, text = self._made
            put_in_force()
            self._say(text)
        self._after()


@contextmanager
def on_hangup(do: Callable[[], None], *, even_if_ignored: bool) -> Iterator[None]:
    """Call `do` at every SIGHUP inside the block, where the system and the thread allow it.

    Parameters
    ----------
    do : callable
        What to do.
    even_if_ignored : bool
        Whether also where this process was started with the signal ignored, as by `nohup`: who
        did so wants no end when the terminal goes.
    """
    is_main = threading.current_thread() is threading.main_thread()
    if not is_main or not hasattr(signal, "SIGHUP"):
        yield
        return
    if not even_if_ignored and signal.getsignal(signal.SIGHUP) is signal.SIG_IGN:
        yield
        return

    def handle(_number: int, _frame: FrameType | None) -> None:
        do()

    before = signal.signal(signal.SIGHUP, handle)
    try:
        yield
    finally:
        signal.signal(signal.SIGHUP, before)
