"""A new file, whole or not at all, and never over another.

It is written beside its place, forced to disk, and only then linked to its name; a name that is
taken makes the link fail, so neither a crash nor a second prehowl can overwrite anything.
"""

import contextlib
import errno
import os
import tempfile
from pathlib import Path

from prehowl.daemon.errors import OutputError

NO_LINKS = (errno.EPERM, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK)
"""What file systems without hard links answer: most memory sticks."""
PROBE_BYTES = 20_000
"""About a sheet with a hundred rings and changes."""


def write_new(folder: Path, name: str, text: str) -> bool:
    """Write a new file whole or not at all.

    Parameters
    ----------
    folder : Path
        Made where it is missing.
    name, text : str
        The file's name in it, and its content.

    Returns
    -------
    bool
        False if the name is taken already; then nothing was written.

    Raises
    ------
    OutputError
        If the folder cannot be written to, or the disk is full. Then nothing has changed.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(prefix=".new-", suffix=".tmp", dir=folder)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(text.encode())
                file.flush()
                os.fchmod(file.fileno(), 0o644)
                os.fsync(file.fileno())
            is_new = _link_new(Path(temporary), folder / name)
        finally:
            with contextlib.suppress(OSError):
                os.unlink(temporary)
        _sync_folder(folder)
    except OSError as fault:
        raise _refused(folder, fault) from fault
    return is_new


def probe(folder: Path) -> None:
    """Find out whether a sheet could be written to a folder; nothing of it stays.

    A folder that is not there yet is not made: the nearest above it that is there is asked.

    Raises
    ------
    OutputError
        If it could not.
    """
    try:
        there = folder
        while not there.exists() and there != there.parent:
            there = there.parent
        with tempfile.TemporaryFile(dir=there) as file:
            file.write(bytes(PROBE_BYTES))
            file.flush()
            os.fsync(file.fileno())
    except OSError as fault:
        raise _refused(folder, fault) from fault


def _refused(folder: Path, fault: OSError) -> OutputError:
    return OutputError(
        f"sheets folder {folder}: cannot be written to ({fault.strerror}). Nothing was "
        "changed; free space there, or name another with --folder"
    )


def _link_new(temporary: Path, target: Path) -> bool:
    try:
        os.link(temporary, target)
    except FileExistsError:
        return False
    except OSError as fault:
        if fault.errno not in NO_LINKS:
            raise
        # No hard links here: claim the name first, so that nobody else takes it, then fill it.
        try:
            os.close(os.open(target, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o644))
        except FileExistsError:
            return False
        os.replace(temporary, target)
    return True


def _sync_folder(folder: Path) -> None:
    with contextlib.suppress(OSError):  # not every system lets a folder be opened
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
