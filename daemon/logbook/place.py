"""Where logbooks live: a bare name is one in the user's data folder, anything else a path."""

from pathlib import Path

from prehowl.daemon.data_folder import data_folder
from prehowl.daemon.errors import UsageError

SUFFIX = ".logbook"


def logbook_folder() -> Path:
    """Return the folder of logbooks that are called by name.

    Raises
    ------
    UsageError
        If there is no home folder to be found.
    """
    return data_folder() / "logbooks"


def is_name(words: str) -> bool:
    """Tell whether a person means a logbook by its name: no slash, and not the suffix."""
    path = Path(words)
    return path.name == words and path.suffix != SUFFIX


def logbook_path(words: str) -> Path:
    """Return the file that a person means: `saturday`, `./saturday.logbook`, `/var/x.logbook`.

    Raises
    ------
    UsageError
        If it is in somebody's home, and that cannot be found.
    """
    if is_name(words):
        return logbook_folder() / f"{words}{SUFFIX}"
    try:
        return Path(words).expanduser()
    except RuntimeError:
        home = Path(words).parts[0]
        raise UsageError(
            f"logbook {words}: no home folder is known here for {home}; give the whole path"
        ) from None
