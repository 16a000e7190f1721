"""Where logbooks live: a bare name is one in the user's data folder, anything else a path."""

import os
from pathlib import Path

SUFFIX = ".logbook"


def logbook_folder() -> Path:
    """Return the folder of logbooks that are called by name (XDG base directories)."""
    told = os.environ.get("XDG_DATA_HOME", "")
    base = Path(told) if Path(told).is_absolute() else Path.home() / ".local" / "share"
    return base / "prehowl" / "logbooks"


def logbook_path(words: str) -> Path:
    """Return the file that a person means: `saturday`, `./saturday.logbook`, `/var/x.logbook`.

    A bare name, without a slash and without the suffix, is in `logbook_folder()`.
    """
    path = Path(words).expanduser()
    if path.name == words and path.suffix != SUFFIX:
        return logbook_folder() / f"{words}{SUFFIX}"
    return path
