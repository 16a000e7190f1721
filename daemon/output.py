"""Where printed results go: stdout or a file that is opened before the work starts."""

import contextlib
import io
import os
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TextIO

from prehowl.daemon.errors import OutputError, UsageError


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
        If `path` is one of the inputs.
    OutputError
        If it cannot be opened, or the disk fills up.
    """
    if path is None:
        if isinstance(sys.stdout, io.TextIOWrapper):
            sys.stdout.reconfigure(errors="backslashreplace")
        yield
        return
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


def write_fault(fault: OSError) -> OutputError:
    """Return a failed write of results as a fault for people; what is still pending is dropped.

    Else the interpreter would try again to write it at its exit, and complain.
    """
    with contextlib.suppress(OSError, ValueError):  # a replaced stdout may have no descriptor
        sink = os.open(os.devnull, os.O_WRONLY)
        os.dup2(sink, sys.stdout.fileno())
        os.close(sink)
    return OutputError(f"the result cannot be written ({fault.strerror or fault})")


def _refuse_inputs(path: str, inputs: Sequence[str]) -> None:
    for name in inputs:
        if Path(path).exists() and Path(name).exists() and Path(path).samefile(name):
            raise UsageError(f"output {path}: is one of the recordings, which would be lost")


def _opened(path: str) -> TextIO:
    try:
        return Path(path).open("w", encoding="utf-8", newline="", errors="backslashreplace")
    except (OSError, ValueError) as fault:
        reason = getattr(fault, "strerror", None) or fault
        raise OutputError(f"output {path}: cannot be written ({reason})") from None
