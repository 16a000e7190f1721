"""A text stream that never makes who writes to it wait, though nobody may be reading.

A pipe into a program that hangs, a terminal that was stopped with Ctrl-S, a dead connection: a
plain write there waits for ever, and a live watch would wait with it.
"""

import errno
import os
import select
import time
from typing import TextIO

MOST_PENDING = 64 * 1024
"""Marks that are kept for a reader who is late: as much again as a pipe itself holds."""

PIECE = 400
"""Marks written in one go. Even as escapes they fill less than the 4096 bytes that a pipe takes
without waiting once it says that it takes any (pipe(7))."""


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
        self._pending = ""
        self._poll = _poll_of(stream)

    def write(self, text: str) -> int:
        """Take text, for the next `flush`."""
        self._pending += text
        return len(text)

    def flush(self) -> None:
        """Write as much as goes without waiting.

        Raises
        ------
        OSError
            If a write fails, or so much has gone unread that all of it is given up.
        """
        while self._pending and self._is_ready():
            piece, self._pending = self._pending[:PIECE], self._pending[PIECE:]
            self._stream.write(piece)
            self._stream.flush()
        if len(self._pending) > MOST_PENDING:
            lines = self._give_up()
            raise BlockingIOError(errno.EAGAIN, f"nobody reads it; {lines} lines are lost")

    def drain(self, timeout_s: float) -> None:
        """Write what is pending, and wait for its reader no longer than so; give up the rest.

        Raises
        ------
        OSError
            If a write fails.
        """
        until_s = time.monotonic() + timeout_s
        while self._pending and self._is_ready(until_s - time.monotonic()):
            self.flush()
        self._give_up()

    def _give_up(self) -> int:
        lines, self._pending = self._pending.count("\n"), ""
        self.lost += lines
        return lines

    def _is_ready(self, wait_s: float = 0.0) -> bool:
        # Whatever else it says than "wait" (gone, closed), the write will say better.
        return self._poll is None or bool(self._poll.poll(max(0.0, 1000 * wait_s)))


def _poll_of(stream: TextIO) -> "select.poll | None":
    if os.name != "posix":
        return None
    try:
        descriptor = stream.fileno()
    except (OSError, ValueError, AttributeError):  # no real file behind it
        return None
    poll = select.poll()
    poll.register(descriptor, select.POLLOUT)
    return poll
