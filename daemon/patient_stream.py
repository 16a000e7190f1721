"""A text stream that never makes who writes to it wait, though nobody may be reading.

A pipe into a program that hangs, a terminal that was stopped with Ctrl-S, a dead connection: a
plain write there waits for ever, and a live watch would wait with it.
"""

import errno
import time
from typing import TextIO

from prehowl.daemon.outflow import coding_of, outflow_of

MOST_PENDING = 64 * 1024
"""Bytes that are kept for a reader who is late: as much again as a pipe itself holds."""

PAUSE_S = 0.01
"""Between two tries where a terminal says that it takes some, and then takes none."""


class PatientStream:
    """Writes what can be written at once, and keeps the rest for the next flush.

    Parameters
    ----------
    stream : TextIO
        Where it goes. If it has no descriptor that can be asked, it is simply written to.
    """

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self.lost = 0
        """Lines given up, since nobody read them."""
        self._pending = b""
        self._outflow = outflow_of(stream)

    def write(self, text: str) -> int:
        """Take text, for the next `flush`."""
        self._pending += text.encode(*coding_of(self._stream))
        return len(text)

    def flush(self) -> None:
        """Write as much as goes without waiting.

        Raises
        ------
        OSError
            If a write fails, or so much has gone unread that all of it is given up.
        """
        self._write_some()
        if len(self._pending) > MOST_PENDING:
            lines = self.give_up()
            raise BlockingIOError(errno.EAGAIN, f"nobody reads it; {lines} lines are lost")

    def settle(self, timeout_s: float) -> bool:
        """Write what is pending, and wait for its reader no longer than so; tell whether all went.

        Raises
        ------
        OSError
            If a write fails.
        """
        until_s = time.monotonic() + timeout_s
        while not self._write_some() and (left_s := until_s - time.monotonic()) > 0:
            if self._outflow.is_ready(left_s):
                time.sleep(min(left_s, PAUSE_S))
        return not self._pending and self._outflow.is_done(until_s - time.monotonic())

    def drain(self, timeout_s: float) -> None:
        """Write what is pending as `settle` does; give up the rest.

        Raises
        ------
        OSError
            If a write fails.
        """
        self.settle(timeout_s)
        self.give_up()
        # How much of what a thread still writes has gone, nobody can tell.
        self.lost += not self._outflow.is_done(0.0)

    def give_up(self) -> int:
        """Forget what is pending; return how many lines that were."""
        lines, self._pending = self._pending.count(b"\n"), b""
        self.lost += lines
        return lines

    def close(self) -> None:
        """Let go of what was opened for it; the stream stays open, and this one is of no use."""
        self._outflow.close()

    def _write_some(self) -> bool:
        """Write what goes now; tell whether nothing is left."""
        while self._pending and (gone := self._outflow.take(self._pending)):
            self._pending = self._pending[gone:]
        return not self._pending
