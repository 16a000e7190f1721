"""The logbook file: opened or made, written in whole transactions, closed. Used by one thread.

Write-ahead logging with `synchronous = NORMAL`: a killed program loses nothing that was committed,
a machine that loses its power may lose the last commits, but never the file. Readers are never
kept out.
"""

import array
import sqlite3
import sys
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from prehowl.daemon.errors import OutputError
from prehowl.daemon.logbook.lock import WriterLock
from prehowl.daemon.logbook.place import SUFFIX
from prehowl.daemon.logbook.records import Clip, EntryRow, RunInfo, Spectrum
from prehowl.daemon.logbook.schema import APPLICATION_ID, MAGIC, TABLES, VERSION

Item = EntryRow | Clip | Spectrum

DAMAGED = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}
BUSY_PATIENCE_S = 0.5


class DamagedError(Exception):
    """The file is no sound database: to be set aside."""


class Store:
    """One open logbook with one run of the program in it."""

    def __init__(self, path: Path, info: RunInfo) -> None:
        """Take the file, make it if there is none, begin a run.

        Raises
        ------
        OutputError
            If another writer has it, or it is no logbook.
        DamagedError
            If it is a logbook that cannot be read any more.
        sqlite3.Error
            If the disc is full or fails.
        """
        self.path = path
        self.rate_hz = info.rate_hz
        _refuse_strangers(path)
        self._lock = WriterLock(path)
        try:
            self._connection = _connected(path)
            try:
                with _damage_told():
                    _prepare(self._connection, path)
                    self._run = self._begin(info)
                    self.clip_bytes = self._count_clips()
                    self._inode = path.stat().st_ino
            except BaseException:
                self._connection.close()
                raise
        except BaseException:
            self._lock.release()
            raise

    def write(self, items: Iterable[tuple[float, Item]], now: float, time_s: float) -> None:
        """Write items and a sign of life in one transaction; all of it or nothing.

        Parameters
        ----------
        items : iterable of (at, item)
            When each came, seconds since 1970, and what.
        now, time_s : float
            Of the sign of life: seconds since 1970, stream time.
        """
        with _damage_told(), _transaction(self._connection):
            clip_bytes = 0
            for at, item in items:
                self._insert(at, item)
                clip_bytes += len(item.flac) if isinstance(item, Clip) else 0
            self._connection.execute(
                "UPDATE runs SET last_at = ?, last_time_s = ? WHERE id = ?",
                (now, time_s, self._run),
            )
        self.clip_bytes += clip_bytes

    def run_at(self, rate_hz: int) -> None:
        """Keep the rate that the run goes on at; clips and entries tell of the one before."""
        with _damage_told(), _transaction(self._connection):
            self._connection.execute(
                "UPDATE runs SET rate_hz = ? WHERE id = ?", (rate_hz, self._run)
            )
        self.rate_hz = rate_hz

    def end(self) -> None:
        """Mark the run as cleanly ended."""
        with _transaction(self._connection):
            self._connection.execute("UPDATE runs SET is_ended = 1 WHERE id = ?", (self._run,))

    def is_gone(self) -> bool:
        """Tell whether somebody has taken the file away: SQLite would write on into nothing."""
        try:
            return self.path.stat().st_ino != self._inode
        except OSError:
            return True

    def close(self) -> None:
        """Let go of the file, whatever state it is in. May be called twice."""
        with suppress(sqlite3.Error):
            # As SQLite would by itself, were it not for files that have another name by now.
            self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        with suppress(sqlite3.Error):
            self._connection.close()
        self._lock.release()

    def _begin(self, info: RunInfo) -> int:
        now = time.time()
        values = (now, time.localtime(now).tm_gmtoff, info.command, info.source, info.title)
        with _transaction(self._connection):
            run = self._connection.execute(
                "INSERT INTO runs VALUES (NULL, ?, ?, ?, ?, ?, ?, ?, ?, 0, 0)",
                (*values, info.rate_hz, info.version, now),
            ).lastrowid
            self._connection.executemany(
                "INSERT INTO channels VALUES (?, ?, ?, ?, ?)",
                [(run, c.number, c.name, c.kind, c.partner) for c in info.channels],
            )
        return int(run or 0)

    def _count_clips(self) -> int:
        row = self._connection.execute("SELECT coalesce(sum(length(flac)), 0) FROM clips")
        return int(row.fetchone()[0])

    def _insert(self, at: float, item: Item) -> None:
        if isinstance(item, EntryRow):
            self._connection.execute(
                "INSERT INTO entries VALUES (NULL, ?, ?, ?, ?, ?, ?)",
                (self._run, at, item.time_s, item.kind, item.channel, item.text),
            )
            return
        place = (self._run, item.ring, item.channel, item.time_s)
        if isinstance(item, Clip):
            values = (item.alarm_at_s, item.rate_hz, item.flac)
            self._connection.execute(
                "INSERT OR IGNORE INTO clips VALUES (?, ?, ?, ?, ?, ?, ?)", (*place, *values)
            )
        else:
            self._connection.execute(
                "INSERT OR IGNORE INTO spectra VALUES (?, ?, ?, ?, ?, ?)",
                (*place, item.bin_hz, packed(item.level_dbfs)),
            )


def open_store(path: Path, info: RunInfo) -> tuple[Store, str]:
    """Return the logbook, open for writing, and what a person should know of it ("" for nothing).

    A damaged file is set aside under another name and a new one is begun.

    Raises
    ------
    OutputError
        If another writer has it, it is no logbook, or its folder cannot be written.
    sqlite3.Error
        If the disc is full or fails.
    """
    try:
        return Store(path, info), ""
    except DamagedError as fault:
        aside = set_aside(path)
        return Store(path, info), f"{path} was damaged ({fault}); set aside as {aside.name}"


def set_aside(path: Path) -> Path:
    """Rename a damaged logbook with what belongs to it, and return its new name."""
    number = 1
    while (aside := path.with_name(f"{path.stem}.damaged-{number}{path.suffix}")).exists():
        number += 1
    for tail in ("", "-wal", "-shm"):
        with suppress(FileNotFoundError):
            path.with_name(path.name + tail).rename(aside.with_name(aside.name + tail))
    return aside


def packed(level_dbfs: Sequence[float]) -> bytes:
    """Return levels as int16 hundredths of a dB, little-endian."""
    cents = array.array("h", (max(-32768, min(32767, round(100 * x))) for x in level_dbfs))
    if sys.byteorder == "big":
        cents.byteswap()
    return cents.tobytes()


def unpacked(data: bytes) -> tuple[float, ...]:
    """Return the levels of `packed`, dBFS."""
    cents = array.array("h")
    cents.frombytes(data)
    if sys.byteorder == "big":
        cents.byteswap()
    return tuple(value / 100 for value in cents)


def is_damage(fault: sqlite3.Error) -> bool:
    """Tell whether a fault is one of the file itself; else disc or system are in trouble."""
    code = getattr(fault, "sqlite_errorcode", None)
    return code is not None and (code & 0xFF) in DAMAGED


def fault_words(fault: Exception) -> str:
    """Return why something could not be written; of a fault that nobody foresaw, its class too."""
    if isinstance(fault, OSError):
        return fault.strerror or str(fault)
    is_known = isinstance(fault, sqlite3.Error | OutputError | DamagedError)
    words = str(fault) if is_known else f"{type(fault).__name__}: {fault}"
    return words.encode(errors="replace").decode()  # it stands in an entry, which must not fail


def _refuse_strangers(path: Path) -> None:
    """Raise if the path is something that must not be touched: no logbook of ours."""
    try:
        if not path.exists():
            return
        if not path.is_file():
            raise OutputError(f"logbook {path}: is no file; name a file to write")
        with path.open("rb") as file:
            head = file.read(len(MAGIC))
    except OSError as fault:
        raise OutputError(f"logbook {path}: cannot be read ({fault.strerror})") from None
    if head and head != MAGIC and path.suffix != SUFFIX:
        raise OutputError(
            f"logbook {path}: is a file of another kind, which is left alone. "
            f"Name a new file, such as show{SUFFIX}"
        )


def _connected(path: Path) -> sqlite3.Connection:
    try:
        return sqlite3.connect(
            path, isolation_level=None, timeout=BUSY_PATIENCE_S, check_same_thread=False
        )
    except sqlite3.OperationalError as fault:
        raise OutputError(f"logbook {path}: cannot be written ({fault})") from None


def _prepare(connection: sqlite3.Connection, path: Path) -> None:
    """Make the tables of a new file, or see that an old one is a sound logbook."""
    if connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
        check_kind(connection, path)
        if connection.execute("SELECT count(*) FROM runs WHERE NOT is_ended").fetchone()[0]:
            _check_soundness(connection)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = NORMAL")
    connection.execute("PRAGMA journal_size_limit = 8000000")
    if connection.execute("PRAGMA user_version").fetchone()[0] == 0:
        with _transaction(connection):
            for table in TABLES:
                connection.execute(table)
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            connection.execute(f"PRAGMA user_version = {VERSION}")


def check_kind(connection: sqlite3.Connection, path: Path) -> None:
    """Raise OutputError unless the database is a logbook of a version that is known here."""
    if connection.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
        raise OutputError(f"logbook {path}: is a database of another program, which is left alone")
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    if version > VERSION:
        raise OutputError(
            f"logbook {path}: was written by a later prehowl (form {version}, known here: "
            f"{VERSION}). Use that version, or name a new file"
        )


def _check_soundness(connection: sqlite3.Connection) -> None:
    said = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
    if said != "ok":
        raise DamagedError(said.splitlines()[-1])


@contextmanager
def _damage_told() -> Iterator[None]:
    """Turn SQLite's faults that mean a damaged file into DamagedError."""
    try:
        yield
    except sqlite3.Error as fault:
        if is_damage(fault):
            raise DamagedError(str(fault)) from fault
        raise


@contextmanager
def _transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """All that is executed inside, or nothing of it."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    finally:
        if connection.in_transaction:
            with suppress(sqlite3.Error):
                connection.execute("ROLLBACK")
