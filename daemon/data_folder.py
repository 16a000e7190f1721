"""Where prehowl keeps what it writes for its user."""

import os
from pathlib import Path

from prehowl.daemon.errors import UsageError


def data_folder() -> Path:
    """Return the user's data folder of prehowl; it need not exist yet.

    `$XDG_DATA_HOME/prehowl`, or `~/.local/share/prehowl` where that is unset or not absolute.
    Source: XDG Base Directory Specification 0.8 (from memory).

    Raises
    ------
    UsageError
        If there is no home folder to be found.
    """
    told = Path(os.environ.get("XDG_DATA_HOME", ""))
    if told.is_absolute():
        return told / "prehowl"
    try:
        return Path.home() / ".local" / "share" / "prehowl"
    except RuntimeError:
        raise UsageError(
            "no home folder is known here; set XDG_DATA_HOME to where data may be kept"
        ) from None
