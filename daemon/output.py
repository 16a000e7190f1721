"""Where printed results go: stdout, or a file that keeps what is in it until there is a result."""

import codecs
import contextlib
import errno
import io
import json
import os
import stat
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from prehowl.daemon.errors import OutputError, UsageError

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer

WRITE_ERRORS = frozenset((errno.EBADF, errno.EDQUOT, errno.EFBIG, errno.EIO, errno.ENOSPC))
"""What the system says of a write: no such end, quota used up, too large, broken, disk full."""


ESCAPES = "prehowl-escapes"
"""How marks are written that the encoding cannot hold: a file's name may be any bytes."""


def _escaped(fault: UnicodeError) -> tuple[str, int]:
    r"""Return such marks as RFC 8259 escapes (``\u2665``), so that JSON stays JSON."""
    if not isinstance(fault, UnicodeEncodeError):
        raise fault
    return json.dumps(fault.object[fault.start : fault.end])[1:-1], fault.end


codecs.register_error(ESCAPES, _escaped)


@contextlib.contextmanager
def open_output(path: str | None, *, inputs: Sequence[str] = ()) -> Iterator[Callable[[], None]]:
    """Let what is printed to `sys.stdout` inside the block go to the file, if one is named.

    The file is opened before the work starts. What is in it gives way to what is printed first,
    or to nothing when what is yielded is called: there is a result, though an empty one. A fault
    before that leaves the file as it was, or no file where there was none.

    Parameters
    ----------
    path : str or None
        The file; None keeps stdout.
    inputs : sequence of str
        Files that must not be overwritten.

    Raises
    ------
    UsageError
        If `path` is empty or one of the inputs.
    OutputError
        If it cannot be opened, or the disk fills up.
    """
    if path is None:
        yield lambda: None
        return
    if not path:
        raise UsageError("--output: the name is empty; name a file, or leave it out for stdout")
    refuse_inputs(path, inputs)
    file = _opened(path)
    stream = io.TextIOWrapper(io.BufferedWriter(file), encoding="utf-8", newline="", errors=ESCAPES)
    try:
        with contextlib.redirect_stdout(stream):
            yield file.begin
    finally:
        try:
            stream.close()
        except OSError as fault:
            raise OutputError(f"{path}: cannot be written to the end ({fault.strerror})") from fault
        finally:
            file.take_back()


def refuse_inputs(path: str, inputs: Sequence[str]) -> None:
    """Raise UsageError if an output is one of the files that are read."""
    if any(_is_same(path, name) for name in inputs):
        raise UsageError(
            f"output {path}: is what is to be read, and would be lost; name another file"
        )


def check_streams() -> None:
    """Make sure that there is somewhere to print to, and that it takes any text.

    A closed stderr is replaced by nowhere: Python has None in its place, and would print what is
    meant for it among the data on stdout.

    Raises
    ------
    OutputError
        If stdout is closed.
    """
    # The types of the standard library do not know that either may be None.
    streams: dict[str, TextIO | None] = {"stdout": sys.stdout, "stderr": sys.stderr}
    if streams["stderr"] is None:
        # For the rest of the program.
        sys.stderr = open(os.devnull, "w", errors=ESCAPES)  # noqa: SIM115
    if streams["stdout"] is None:
        raise OutputError(
            "standard output is closed, so no result can be told; leave '>&-' away, or send it to "
            "a file, or to /dev/null if nobody is to see it"
        )
    for stream in streams.values():
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors=ESCAPES)


def is_failed_write(fault: OSError) -> bool:
    """Tell whether a fault is that of printing: those of opening a file carry its name."""
    return fault.filename is None and fault.errno in WRITE_ERRORS


def write_fault(fault: OSError) -> OutputError:
    """Return a failed write of results as a fault for people; what is still pending is dropped.

    Else the interpreter would try again to write it at its exit, and complain.
    """
    drop_pending()
    return OutputError(f"the result cannot be written ({fault.strerror or fault})")


def drop_pending() -> None:
    """Let stdout, and what is still to be written to it, go nowhere from now on."""
    with contextlib.suppress(OSError, ValueError):  # a replaced stdout may have no descriptor
        sink = os.open(os.devnull, os.O_WRONLY)
        os.dup2(sink, sys.stdout.fileno())
        os.close(sink)


def _is_same(path: str, name: str) -> bool:
    try:
        return Path(path).samefile(name)
    except (OSError, ValueError):  # one is not there, or cannot be looked at: opening it will tell
        return False


class _KeptFile(io.FileIO):
    """A file whose content stays until something is written."""

    def __init__(self, path: str) -> None:
        self._path = path
        self._is_new = not os.path.lexists(path)
        self._has_begun = False
        super().__init__(path, "a")

    def begin(self) -> None:
        """Let go of what was in it before."""
        if not self._has_begun:
            self._has_begun = True
            if stat.S_ISREG(os.fstat(self.fileno()).st_mode):  # no pipe, no device
                self.truncate(0)

    def write(self, data: "ReadableBuffer", /) -> int:
        """Write, in place of what was in it before."""
        self.begin()
        return super().write(data)

    def take_back(self) -> None:
        """Leave no empty file behind where there was none, if nothing was begun."""
        if self._is_new and not self._has_begun:
            with contextlib.suppress(OSError):
                os.unlink(self._path)


def _opened(path: str) -> _KeptFile:
    try:
        return _KeptFile(path)
    except (OSError, ValueError) as fault:
        reason = getattr(fault, "strerror", None) or fault
        raise OutputError(f"output {path}: cannot be written ({reason})") from None
