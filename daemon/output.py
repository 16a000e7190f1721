"""Where printed results go: stdout or a file that is opened before the work starts."""

import contextlib
import errno
import io
import os
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TextIO

from prehowl.daemon.errors import OutputError, UsageError

WRITE_ERRORS = frozenset((errno.EBADF, errno.EDQUOT, errno.EFBIG, errno.EIO, errno.ENOSPC))
"""What the system says of a write: no such end, quota used up, too large, broken, disk full."""


@contextlib.contextmanager
def open_output(path: str | None, *, inputs: Sequence[str] = ()) -> Iterator[None]:
    """Let what is printed to `sys.stdout` inside the block go to the file, if one is named.

    Marks that the encoding cannot hold (file names may be any bytes) are written as escapes.

    Parameters
    ----------
    path : str or None
        The file, made new; None keeps stdout.
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
        if isinstance(sys.stdout, io.TextIOWrapper):
            sys.stdout.reconfigure(errors="backslashreplace")
        yield
        return
    if not path:
        raise UsageError("--output: the name is empty; name a file, or leave it out for stdout")
    _refuse_inputs(path, inputs)
    stream = _opened(path)
    try:
        with contextlib.redirect_stdout(stream):
            yield
    finally:
        try:
            stream.close()
        except OSError as fault:
            raise OutputError(f"{path}: cannot be written to the end ({fault.strerror})") from fault


def check_streams() -> None:
    """Make sure that there is somewhere to print to.

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
        sys.stderr = open(os.devnull, "w")  # noqa: SIM115  # for the rest of the program
    if streams["stdout"] is None:
        raise OutputError(
            "standard output is closed, so no result can be told; leave '>&-' away, or send it to "
            "a file, or to /dev/null if nobody is to see it"
        )


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


def _refuse_inputs(path: str, inputs: Sequence[str]) -> None:
    if any(_is_same(path, name) for name in inputs):
        raise UsageError(f"output {path}: is one of the recordings, which would be lost")


def _is_same(path: str, name: str) -> bool:
    try:
        return Path(path).samefile(name)
    except (OSError, ValueError):  # one is not there, or cannot be looked at: opening it will tell
        return False


def _opened(path: str) -> TextIO:
    try:
        return Path(path).open("w", encoding="utf-8", newline="", errors="backslashreplace")
    except (OSError, ValueError) as fault:
        reason = getattr(fault, "strerror", None) or fault
        raise OutputError(f"output {path}: cannot be written ({reason})") from None
