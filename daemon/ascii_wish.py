"""Whether a person has asked for ASCII only, by a locale that knows nothing else."""

import os
from collections.abc import Mapping
from pathlib import Path

PRECEDENCE = ("LC_ALL", "LC_CTYPE", "LANG")
"""The first that is set and not empty decides (POSIX.1-2017, XBD 8.2, from memory)."""
ASCII_LOCALES = frozenset(("C", "POSIX"))
COERCED = frozenset(("C.UTF-8", "C.utf8", "UTF-8"))
"""What Python itself puts into LC_CTYPE at its start, in place of C or of nothing (PEP 538)."""
AT_START = Path("/proc/self/environ")
"""The environment that this process was started with, whatever was set in it since (Linux)."""


def wants_ascii(started: Path = AT_START) -> bool:
    """Tell whether the locale was set to C or POSIX.

    The output's encoding does not tell: under such a locale Python takes UTF-8 all the same
    (PEP 538, PEP 540). A locale that is not set at all is no wish.

    Parameters
    ----------
    started : Path
        Where the environment at the start of the process can be read; where it cannot, a wish by
        LC_CTYPE or LANG may go unseen.
    """
    first = next(filter(None, map(_as_asked(started).get, PRECEDENCE)), "")
    return first in ASCII_LOCALES


def _as_asked(started: Path) -> Mapping[str, str]:
    """Return the environment now, with LC_CTYPE as it was before Python replaced it."""
    now = dict(os.environ)
    if now.get("LC_CTYPE") not in COERCED:
        return now
    try:
        entries = started.read_bytes().split(b"\0")
    except OSError:
        return now
    prefix = b"LC_CTYPE="
    given = next((entry for entry in entries if entry.startswith(prefix)), prefix)
    return {**now, "LC_CTYPE": os.fsdecode(given.removeprefix(prefix))}
