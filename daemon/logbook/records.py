"""What can stand in a logbook: one generic entry, and the small records that become one.

An entry is a kind, a moment and plain JSON data, so that a further kind of record needs no new
table: give it an `entry` and the logbook keeps, shows and exports it.
"""

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Protocol

from prehowl.daemon.events import RingEvent

BEGUN_ANEW = "begun_anew"
"""True in the data of the health entry with which a run begins in the middle of a watch: its file
was taken away or damaged. Stream time does not begin there at 0."""


class Kind(StrEnum):
    """Kinds of entries that are made here; others are kept, shown and exported as well."""

    RING = "ring"
    ACT = "act"
    HEALTH = "health"
    NAMES = "names"
    CONTROL = "control"  # a note, as its record says


def storable(text: str) -> str:
    """Return text that may hold a file's name, which may be any bytes, as UTF-8 can hold it."""
    return text.encode(errors="backslashreplace").decode()


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of a logbook."""

    kind: str
    time_s: float  # stream time
    data: Mapping[str, Any] = field(default_factory=dict)  # plain JSON types, no NaN
    channel: int | None = None  # from 1, where it belongs to one


@dataclass(frozen=True, slots=True)
class EntryRow:
    """An entry as the file takes it."""

    kind: str
    time_s: float
    channel: int | None
    text: str  # JSON


def entry_row(entry: Entry) -> EntryRow:
    """Return an entry as the file takes it.

    Raises
    ------
    Exception
        Of whatever class the thing in it calls for that neither JSON nor SQLite can hold: NaN, an
        object, half a character, a number of more than 64 bits.
    """
    kind, time_s = str(entry.kind), round(float(entry.time_s), 3)
    text = json.dumps(dict(entry.data), ensure_ascii=False, allow_nan=False)
    f"{kind}{text}".encode()  # as SQLite will
    channel = None if entry.channel is None else int(entry.channel)
    (channel or 0).to_bytes(8, signed=True)
    if not math.isfinite(time_s):
        raise ValueError(f"its time is {time_s}")
    return EntryRow(kind, time_s, channel, text)


@dataclass(frozen=True, slots=True)
class ActChange:
    """Another act is on: what follows belongs to it."""

    name: str
    number: int | None = None  # in the running order, from 1

    def entry(self, time_s: float) -> Entry:
        """Return the entry for this moment of stream time."""
        return Entry(Kind.ACT, time_s, {"name": self.name, "number": self.number})


@dataclass(frozen=True, slots=True)
class HealthChange:
    """Device, receivers, disc or machine: something went wrong, or well again."""

    subject: str  # "device", "input", "osc", "logbook", "watch"
    text: str
    is_well: bool = False

    def entry(self, time_s: float) -> Entry:
        """Return the entry for this moment of stream time."""
        data = {"subject": self.subject, "text": storable(self.text), "is_well": self.is_well}
        return Entry(Kind.HEALTH, time_s, data)


class Note(Protocol):
    """Any record of something that people did: a command, an acknowledgement."""

    @property
    def time_s(self) -> float:
        """Return the stream time."""

    @property
    def channel(self) -> int | None:
        """Return the channel, from 1, where it belongs to one."""

    def record(self) -> dict[str, Any]:
        """Return it as plain JSON types; `type` says what it is."""


def note_entry(note: Note) -> Entry:
    """Return a note as an entry of the kind that its record calls `type`."""
    record = note.record()
    return Entry(str(record["type"]), note.time_s, record, note.channel)


def ring_entry(event: RingEvent) -> Entry:
    """Return an event as an entry: the record of docs/events.md as it stands."""
    return Entry(Kind.RING, event.time_s, event.record(), event.channel)


@dataclass(frozen=True, slots=True)
class Clip:
    """A few seconds of one channel around an alarm."""

    ring: int  # id of the alert, which is that of the ring that began it
    channel: int
    time_s: float  # stream time of the alarm
    alarm_at_s: float  # where in the clip the alarm was raised
    rate_hz: int
    flac: bytes


@dataclass(frozen=True, slots=True)
class Spectrum:
    """What one channel's spectrum was when an alarm was raised."""

    ring: int  # as of a clip
    channel: int
    time_s: float
    bin_hz: float
    level_dbfs: tuple[float, ...]  # by bin, from 0 Hz; a full-scale sine reads 0


@dataclass(frozen=True, slots=True)
class ChannelRow:
    """A channel as it was set up in one run."""

    number: int
    name: str
    kind: str  # mic, mix, reference
    partner: str = ""  # label of the mix of a mic, or of the mic of a mix, where told


LIVE = "watch"
WATCHED_RECORDING = "watch --recording"


@dataclass(frozen=True, slots=True)
class RunInfo:
    """What one start of the program was about."""

    command: str  # of a live watch `LIVE`, and no other
    source: str  # device or file
    title: str
    rate_hz: int
    version: str
    channels: tuple[ChannelRow, ...]
