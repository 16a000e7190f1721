"""Ways for bytes to leave without ever waiting for who reads them: pipes, files, terminals.

A pipe that says that it takes something takes `PIECE` bytes at once. A terminal promises one byte
only, and a write of more, or of a line's end, may then sleep for as long as nobody reads. Made
non-blocking, a terminal would be so for the shell as well that has lent it; so it is opened anew,
with a description of its own. Where that is not allowed (after `su` it belongs to somebody else),
a thread does the waiting.
"""

import contextlib
import os
import select
import threading
from typing import Protocol, TextIO

PIECE = select.PIPE_BUF if hasattr(select, "PIPE_BUF") else 512
"""Bytes that a pipe takes without waiting once it says that it takes any (pipe(7), poll(2))."""

SHORT_S = 0.05
"""A terminal that is read has taken a line long before; only what does not is left to a thread."""


class Outflow(Protocol):
    """Takes bytes. Used by one thread at a time."""

    def is_ready(self, wait_s: float) -> bool:
        """Tell whether something can be taken, within `wait_s` at the latest."""

    def take(self, data: bytes) -> int:
        """Take what goes at once; return how many bytes, 0 where none does.

        Raises
        ------
        OSError
            If the write fails for another reason than that nobody reads.
        """

    def is_done(self, wait_s: float) -> bool:
        """Tell whether all that was taken has gone, within `wait_s` at the latest."""

    def close(self) -> None:
        """Let go of what was opened for it; the stream itself stays open."""


def outflow_of(stream: TextIO) -> Outflow:
    """Return the way into a stream, for bytes in its `coding_of`."""
    try:
        descriptor = stream.fileno() if os.name == "posix" else None
    except (OSError, ValueError, AttributeError):  # no real file behind it
        descriptor = None
    if descriptor is None:
        return _Plain(stream)
    stream.flush()  # what others have written before goes first
    if not os.isatty(descriptor):
        return _Polled(descriptor)
    try:
        again = os.open(os.ttyname(descriptor), os.O_WRONLY | os.O_NONBLOCK | os.O_NOCTTY)
    except OSError:  # another user's, another container's, held exclusively
        return _ByThread(descriptor)
    return _OwnTerminal(again)


def coding_of(stream: TextIO) -> tuple[str, str]:
    """Return how a stream makes bytes of text, and what it does with marks that it cannot hold."""
    # The types of the standard library do not know that in memory there is neither.
    told: tuple[str | None, str | None] = (stream.encoding, stream.errors)
    return told[0] or "utf-8", told[1] or "surrogatepass"


class _Plain:
    """A stream without a descriptor that could make one wait."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def is_ready(self, wait_s: float) -> bool:
        return True

    def is_done(self, wait_s: float) -> bool:
        return True

    def take(self, data: bytes) -> int:
        self._stream.write(data.decode(*coding_of(self._stream)))
        self._stream.flush()
        return len(data)

    def close(self) -> None:
        pass  # nothing was opened


class _Polled:
    """A pipe, a file or a socket: asked before each piece."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self._poll = select.poll()
        self._poll.register(descriptor, select.POLLOUT)

    def is_ready(self, wait_s: float) -> bool:
        # Whatever else it says than "wait" (gone, closed), the write will say better.
        return bool(self._poll.poll(max(0.0, 1000 * wait_s)))

    def is_done(self, wait_s: float) -> bool:
        return True

    def take(self, data: bytes) -> int:
        return os.write(self._descriptor, data[:PIECE]) if self.is_ready(0.0) else 0

    def close(self) -> None:
        pass  # nothing was opened


class _OwnTerminal(_Polled):
    """A terminal that was opened anew for us alone, non-blocking."""

    def take(self, data: bytes) -> int:
        with contextlib.suppress(BlockingIOError):
            return os.write(self._descriptor, data)
        return 0

    def close(self) -> None:
        os.close(self._descriptor)


class _ByThread:
    """A terminal that cannot be opened anew: one piece at a time, written by a thread."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self._fault: OSError | None = None
        self._is_idle = threading.Event()
        self._is_idle.set()

    def is_ready(self, wait_s: float) -> bool:
        return self._is_idle.wait(max(0.0, wait_s))

    def is_done(self, wait_s: float) -> bool:
        return self.is_ready(wait_s)

    def take(self, data: bytes) -> int:
        if not self._is_idle.is_set():
            return 0
        if self._fault is not None:
            raise self._fault
        piece = data[:PIECE]
        self._is_idle.clear()
        threading.Thread(target=self._write, args=(piece,), name="outflow", daemon=True).start()
        self._is_idle.wait(SHORT_S)
        return len(piece)

    def close(self) -> None:
        pass  # a thread that hangs in it ends with the program

    def _write(self, piece: bytes) -> None:
        try:
            while piece:
                piece = piece[os.write(self._descriptor, piece) :]
        except OSError as fault:
            self._fault = fault
        finally:
            self._is_idle.set()
