"""The journal of one ring-out: every entry on disk before anything is shown of it.

Owns one append-only file of JSON lines: first the plan and where the sound comes from, then the
entries. Each line is written and synchronised to the disk before the state moves on, so that a
crash at any moment costs nothing that was ever on the screen; a last line that was only half
written is cut away when the ring-out is resumed.
"""

import fcntl
import json
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Protocol

from prehowl.daemon.errors import OutputError, PrehowlError
from prehowl.daemon.ringout.acts import Entry, Kept
from prehowl.daemon.ringout.records import (
    entry_of_record,
    plan_of_record,
    record_of_entry,
    record_of_plan,
)
from prehowl.daemon.ringout.state import Plan

VERSION = 2
"""What is written. 2 has interruptions, the dates of rings, the desk's rate, folder and show file.
A journal of 1 is read, too, and becomes one of 2 when it is resumed: a program that knows 1 only
must refuse it by its version, not take the first new line for damage."""
READ = (1, VERSION)
OLD_MARK = re.compile(rb'"version"\s*:\s*1\b')


class JournalError(PrehowlError):
    """A journal cannot be read or belongs to another program version."""


class EntryLog(Protocol):
    """Where entries go before they count."""

    def append(self, entry: Entry) -> None:
        """Keep the entry for good, or raise."""


@dataclass(slots=True)
class Unwritten:
    """A log in memory, for the bench, where nothing needs to survive."""

    entries: list[Entry] = field(default_factory=list)

    def append(self, entry: Entry) -> None:
        """Keep the entry."""
        self.entries.append(entry)


@dataclass(frozen=True, slots=True)
class Recalled:
    """What a journal holds."""

    plan: Plan
    origin: Mapping[str, Any]  # where the sound comes from, as the command wrote it
    entries: tuple[Entry, ...]
    good_bytes: int  # length up to the last whole line
    folder: str = ""  # where the sheet is to be kept; "" in journals that did not tell yet
    show: str = ""  # the show file; "": none

    @property
    def is_finished(self) -> bool:
        """Tell whether the ring-out came to its end, its sheet kept."""
        return any(isinstance(entry, Kept) for entry in self.entries)


class Journal:
    """An open journal. One process at a time may write it; `close()` may come twice."""

    def __init__(self, path: Path, file: int) -> None:
        self.path = path
        self._file: int | None = file

    @classmethod
    def begin(
        cls,
        path: Path,
        plan: Plan,
        origin: Mapping[str, Any],
        *,
        folder: str = "",
        show: str = "",
    ) -> "Journal":
        """Make a new journal; raise OutputError if it cannot be, or is there already.

        Its head holds all that a ring-out needs to be resumed without being told again; the
        arguments are as in `Recalled`.
        """
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND, 0o644)
        except OSError as fault:
            raise OutputError(f"{path}: cannot begin the journal: {fault.strerror}") from fault
        journal = cls(path, _locked(file, path))
        head = {"type": "ringout", "version": VERSION, "plan": record_of_plan(plan)}
        journal._write({**head, "origin": dict(origin), "folder": folder, "show": show})
        _sync_folder(path.parent)
        return journal

    @classmethod
    def resume(cls, path: Path, recalled: Recalled) -> "Journal":
        """Open a journal that was read, cutting away a half-written last line.

        From then on it is of this version, whatever it was before.
        """
        try:
            file = _locked(os.open(path, os.O_WRONLY | os.O_APPEND), path)
            os.ftruncate(file, recalled.good_bytes)
            os.fsync(file)
            _mark_version(path)
        except OSError as fault:
            raise OutputError(f"{path}: cannot go on with it: {fault.strerror}") from fault
        return cls(path, file)

    def append(self, entry: Entry) -> None:
        """Write an entry and wait until it is on the disk.

        Raises
        ------
        OutputError
            If the disk does not take it: better to stop than to pretend.
        """
        self._write(record_of_entry(entry))

    def close(self) -> None:
        """Let go of the file."""
        if self._file is not None:
            os.close(self._file)
            self._file = None

    def _write(self, record: Mapping[str, Any]) -> None:
        line = json.dumps(record, ensure_ascii=False, allow_nan=False).encode() + b"\n"
        try:
            if self._file is None:
                raise OSError(0, "it is closed")
            while line:
                line = line[os.write(self._file, line) :]
            os.fsync(self._file)
        except OSError as fault:
            raise OutputError(f"{self.path}: cannot write: {fault.strerror}") from fault


def recall(path: Path) -> Recalled:
    """Read a journal, up to the last line that is whole.

    Raises
    ------
    JournalError
        If the file cannot be read, is no journal, is of a newer version, or is damaged anywhere
        but at its end.
    """
    try:
        lines = path.read_bytes().split(b"\n")
    except OSError as fault:
        raise JournalError(f"{path}: cannot read the journal: {fault.strerror}") from fault
    whole = lines[:-1]  # what follows the last line's end is half written, or nothing
    if not whole:
        raise JournalError(f"{path}: nothing was journalled yet; begin the ring-out anew")
    head = _head(path, whole[0])
    entries = []
    for number, line in enumerate(whole[1:], start=2):
        try:
            entries.append(entry_of_record(_object(line)))
        except (ValueError, TypeError) as fault:
            raise JournalError(
                f"{path}, line {number}: damaged ({fault}); a copy of the file cut before that "
                "line can be resumed"
            ) from None
    good_bytes = sum(len(line) + 1 for line in whole)
    return replace(head, entries=tuple(entries), good_bytes=good_bytes)


def _head(path: Path, line: bytes) -> Recalled:
    try:
        head = _object(line)
        if head.get("type") != "ringout":
            raise ValueError("its first line is no head of one")
        if head.get("version") not in READ:
            raise JournalError(
                f"{path}: a journal of version {head.get('version')!r}, this program knows those "
                f"up to {VERSION}; update prehowl"
            )
        plan, origin = plan_of_record(_dict(head.get("plan"))), _dict(head.get("origin"))
        folder, show = (_text(head.get(key, "")) for key in ("folder", "show"))
        return Recalled(plan, origin, (), 0, folder, show)
    except (ValueError, TypeError) as fault:
        raise JournalError(f"{path}: not a journal of a ring-out: {fault}") from None


def _object(line: bytes) -> dict[str, Any]:
    return _dict(json.loads(line.decode()))


def _dict(value: Any) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise ValueError("no JSON object")
    return value


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise ValueError(f"{value!r} is no text")
    return value


def _locked(file: int, path: Path) -> int:
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(file)
        raise JournalError(f"{path}: another prehowl is at this ring-out; end it first") from None
    return file


def _mark_version(path: Path) -> None:
    """Let the head of an older journal tell this version.

    One byte is written over, so that a crash leaves the one head or the other. Not through the
    journal's own handle: what is opened to append is appended to wherever one would write.
    """
    with path.open("r+b") as file:
        mark = OLD_MARK.search(file.readline())
        if mark is None:
            return
        file.seek(mark.end() - 1)
        file.write(str(VERSION).encode())
        file.flush()
        os.fsync(file.fileno())


def _sync_folder(folder: Path) -> None:
    """Make the new name itself survive a power cut."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
