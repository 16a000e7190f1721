"""Reads logbooks, also one that is being written: runs, entries, clips, spectra."""

import json
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

from prehowl.daemon.errors import PrehowlError
from prehowl.daemon.logbook.records import (
    BEGUN_ANEW,
    LIVE,
    ChannelRow,
    Clip,
    Kind,
    RunInfo,
    Spectrum,
)
from prehowl.daemon.logbook.schema import MAGIC
from prehowl.daemon.logbook.store import check_kind, is_damage, unpacked


class LogbookError(PrehowlError):
    """A logbook is missing, damaged, or none."""


@dataclass(frozen=True, slots=True)
class Run:
    """One start of the program, as far as it came."""

    id: int
    info: RunInfo
    started_at: float  # seconds since 1970
    utc_offset_s: int  # of the place and day
    last_at: float
    last_time_s: float
    is_ended: bool  # False: still running, or torn off
    begin_s: float = 0.0  # stream time; not 0 where the file was begun anew during a watch

    @property
    def is_live(self) -> bool:
        """Tell whether it followed the clock: a recording's lines are written whenever it is."""
        return self.info.command == LIVE

    @property
    def watched_s(self) -> float:
        """Return how much of the stream it tells of, seconds."""
        return max(0.0, self.last_time_s - self.begin_s)


@dataclass(frozen=True, slots=True)
class Line:
    """One entry as it stands in the file."""

    id: int
    run: int
    at: float  # when it came by the clock on the wall, seconds since 1970
    time_s: float  # of the stream, which stands still while the device is away
    kind: str
    channel: int | None
    data: dict[str, Any]


class LogbookReader:
    """An open logbook; use as a context manager."""

    def __init__(self, path: Path) -> None:
        """Open for reading only.

        Raises
        ------
        LogbookError
            If there is none, or it cannot be read.
        OutputError
            If it is a database of another program or of a later version.
        """
        self.path = path
        _look_at(path)
        try:
            self._connection = _opened(path)
        except sqlite3.Error as fault:
            raise self._unreadable(fault) from None

    def __enter__(self) -> "LogbookReader":
        """Return itself."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, _: TracebackType | None
    ) -> None:
        """Close the file; tell damage that showed while reading."""
        self._connection.close()
        if isinstance(fault, sqlite3.Error):
            raise self._unreadable(fault) from fault

    def runs(self) -> tuple[Run, ...]:
        """Return all runs, oldest first."""
        rows = self._connection.execute(
            "SELECT id, command, source, title, rate_hz, version, started_at, utc_offset_s, "
            "last_at, last_time_s, is_ended FROM runs ORDER BY id"
        ).fetchall()
        return tuple(self._run(row) for row in rows)

    def lines(
        self, *, run: int | None = None, kind: str | None = None, channel: int | None = None
    ) -> Iterator[Line]:
        """Yield entries in the order they came, those of one run, kind or channel if told."""
        wanted = {"run": run, "kind": kind, "channel": channel}
        told = {name: value for name, value in wanted.items() if value is not None}
        where = " AND ".join(f"{name} = :{name}" for name in told) or "1"
        rows = self._connection.execute(
            f"SELECT id, run, at, time_s, kind, channel, data FROM entries WHERE {where} "
            "ORDER BY id",
            told,
        )
        for row in rows:
            number, of_run, at, time_s, of_kind, of_channel, data = row
            yield Line(number, of_run, at, time_s, of_kind, of_channel, json.loads(data))

    def kinds(self, run: int | None = None) -> list[str]:
        """Return the kinds of which there are entries, of one run or all, by name."""
        return [str(kind) for kind in self._distinct("kind", run)]

    def channels(self, run: int | None = None) -> list[int]:
        """Return the channels of which there are entries, of one run or all, in order."""
        return [int(channel) for channel in self._distinct("channel", run) if channel is not None]

    def clip_sizes(self) -> dict[tuple[int, int], int]:
        """Return (run, ring) -> bytes of every clip."""
        rows = self._connection.execute("SELECT run, ring, length(flac) FROM clips")
        return {(run, ring): size for run, ring, size in rows}

    def clips(self, run: int | None = None) -> Iterator[tuple[int, Clip]]:
        """Yield (run, clip) one by one: together they may be large."""
        rows = self._connection.execute(
            "SELECT run, ring, channel, time_s, alarm_at_s, rate_hz, flac FROM clips "
            "WHERE ?1 IS NULL OR run = ?1 ORDER BY run, time_s",
            (run,),
        )
        for row in rows:
            yield row[0], Clip(*row[1:])

    def clip(self, run: int, ring: int) -> Clip | None:
        """Return the clip of one ring, if there is one."""
        row = self._connection.execute(
            "SELECT ring, channel, time_s, alarm_at_s, rate_hz, flac FROM clips "
            "WHERE run = ? AND ring = ?",
            (run, ring),
        ).fetchone()
        return None if row is None else Clip(*row)

    def spectra(self, run: int | None = None) -> Iterator[tuple[int, Spectrum]]:
        """Yield (run, spectrum) one by one."""
        rows = self._connection.execute(
            "SELECT run, ring, channel, time_s, bin_hz, level_cdb FROM spectra "
            "WHERE ?1 IS NULL OR run = ?1 ORDER BY run, time_s",
            (run,),
        )
        for row in rows:
            of_run, ring, channel, time_s, bin_hz, level_cdb = row
            yield of_run, Spectrum(ring, channel, time_s, bin_hz, unpacked(level_cdb))

    def soundness(self) -> str:
        """Return "ok", or what SQLite finds wrong with the file."""
        return str(self._connection.execute("PRAGMA integrity_check(1)").fetchone()[0])

    def _distinct(self, column: str, run: int | None) -> list[Any]:
        rows = self._connection.execute(
            f"SELECT DISTINCT {column} FROM entries WHERE ?1 IS NULL OR run = ?1 ORDER BY 1", (run,)
        )
        return [row[0] for row in rows]

    def _run(self, row: tuple[Any, ...]) -> Run:
        number, command, source, title, rate_hz, version, *moments, is_ended = row
        channels = self._channels(number)
        info = RunInfo(command, source, title, rate_hz, version, channels)
        started_at, utc_offset_s, last_at, last_time_s = moments
        return Run(
            number,
            info,
            started_at,
            utc_offset_s,
            last_at,
            last_time_s,
            bool(is_ended),
            self._begin_s(number),
        )

    def _begin_s(self, run: int) -> float:
        """Return the stream time of the first line of a run that was begun anew; of others 0."""
        row = self._connection.execute(
            "SELECT (SELECT min(time_s) FROM entries WHERE run = ?1) FROM entries "
            "WHERE run = ?1 AND kind = ?2 AND data LIKE ?3 LIMIT 1",
            (run, Kind.HEALTH, f'%"{BEGUN_ANEW}": true%'),
        ).fetchone()
        return 0.0 if row is None else float(row[0])

    def _channels(self, run: int) -> tuple[ChannelRow, ...]:
        rows = self._connection.execute(
            "SELECT number, name, kind, partner FROM channels WHERE run = ? ORDER BY number", (run,)
        )
        return tuple(ChannelRow(*row) for row in rows)

    def _unreadable(self, fault: sqlite3.Error) -> LogbookError:
        why = ""
        if is_damage(fault):
            why = (
                ". Is it damaged? The next watch that writes there sets a damaged file aside and "
                "begins a new one"
            )
        elif _needs_its_folder(fault) and _has_more_beside(self.path):
            why = (
                f". Its newest entries are in {self.path.name}-wal beside it, and to read them "
                "takes the right to write in that folder: copy both files to one of your own, "
                "or read it as the user who writes it"
            )
        return LogbookError(f"logbook {self.path}: cannot be read ({fault}){why}")


def _opened(path: Path) -> sqlite3.Connection:
    """Return a connection that only reads.

    SQLite makes two files beside one with write-ahead logging even to read it. Where it may not,
    a file that nobody writes and that was closed well is read without them: all of it is in the
    one file then.
    """
    uri = f"{path.resolve().as_uri()}?mode=ro"
    try:
        return _checked(uri, path)
    except sqlite3.Error as fault:
        if not _needs_its_folder(fault) or _has_more_beside(path):
            raise
    return _checked(f"{uri}&immutable=1", path)


def _checked(uri: str, path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(uri, uri=True)
    try:
        if not connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
            raise LogbookError(f"logbook {path}: is only being made, or was torn off then")
        check_kind(connection, path)
    except BaseException:
        connection.close()
        raise
    return connection


def _needs_its_folder(fault: sqlite3.Error) -> bool:
    code = getattr(fault, "sqlite_errorcode", 0) & 0xFF
    return code in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN)


def _has_more_beside(path: Path) -> bool:
    """Tell whether there are entries that have not come into the file yet."""
    file = path.resolve()
    log = file.with_name(f"{file.name}-wal")
    try:
        return log.stat().st_size > 0
    except OSError:
        return False


def _look_at(path: Path) -> None:
    """Raise where there is no database at all; SQLite's own words would not say so."""
    try:
        with path.open("rb") as file:
            head = file.read(len(MAGIC))
    except FileNotFoundError:
        raise LogbookError(
            f"no logbook {path}. `prehowl logbook list` shows those that there are"
        ) from None
    except OSError as fault:
        raise LogbookError(f"logbook {path}: cannot be read ({fault.strerror})") from None
    if head != MAGIC:
        raise LogbookError(f"logbook {path}: is no logbook, or its beginning is damaged")
