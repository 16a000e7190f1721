"""One writer a logbook: a lock that the system lifts however its holder ends."""

import sqlite3
from pathlib import Path

from prehowl.daemon.errors import OutputError


class WriterLock:
    """Held on a small file beside the logbook.

    SQLite's own exclusive lock on the logbook would keep readers out as well; so it is taken on
    an empty database beside it, which works wherever SQLite does. The empty file stays: taking it
    away could let two writers each hold a lock on a file of that name.
    """

    def __init__(self, logbook: Path) -> None:
        """Take the lock.

        Raises
        ------
        OutputError
            If another writer holds it, or the file cannot be made.
        sqlite3.Error
            If the disc is full or fails.
        """
        path = logbook.with_name(logbook.name + ".lock")
        self._connection: sqlite3.Connection | None = None
        connection = None
        try:
            connection = sqlite3.connect(
                path, isolation_level=None, timeout=0, check_same_thread=False
            )
            # Else the lock would begin with a journal, which a full disc has no room for.
            connection.execute("PRAGMA journal_mode = MEMORY")
            connection.execute("BEGIN EXCLUSIVE")
        except sqlite3.Error as fault:
            if connection is not None:
                connection.close()
            raise _refusal(logbook, fault) from None
        self._connection = connection

    def release(self) -> None:
        """Let go. May be called twice."""
        if self._connection is not None:
            self._connection.close()
            self._connection = None


def _refusal(logbook: Path, fault: sqlite3.Error) -> Exception:
    code = getattr(fault, "sqlite_errorcode", 0) & 0xFF
    if code == sqlite3.SQLITE_BUSY:
        return OutputError(
            f"logbook {logbook}: another prehowl is writing it. Name another file with --logbook, "
            "or stop the other one"
        )
    if code in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM):
        return OutputError(f"logbook {logbook}: cannot be written ({fault}). Is the folder there?")
    return fault
