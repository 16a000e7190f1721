"""The second record of the event stream: something was asked of the watch, and what came of it.

A note is made for every command, whoever gave it (OSC, a key, the clock), so that whatever changes
what is shown or named can be read afterwards beside the rings.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol, runtime_checkable

from prehowl.daemon.events import RingEvent


@dataclass(frozen=True, slots=True)
class ChannelLevel:
    """One channel at the moment of a snapshot."""

    channel: int
    channel_name: str
    level_dbfs: float
    peak_dbfs: float

    def record(self) -> dict[str, Any]:
        """Return it as plain JSON types."""
        return {
            "channel": self.channel,
            "channel_name": self.channel_name,
            "level_dbfs": round(self.level_dbfs, 1),
            "peak_dbfs": round(self.peak_dbfs, 1),
        }


@dataclass(frozen=True, slots=True)
class Note:
    """One command and its effect."""

    time_s: float  # stream time
    verb: str
    by: str  # "osc 192.168.20.31", "key", "clock"
    done: bool  # False: it could not be done, `effect` says why
    effect: str  # for a person
    channel: int | None = None  # from 1; None where no single channel is meant
    act: str | None = None  # in force afterwards
    text: str = ""  # of a snapshot: its name
    levels: tuple[ChannelLevel, ...] = field(default=())  # of a snapshot
    rings: tuple[RingEvent, ...] = ()  # of a snapshot: the living ones, worst first

    @property
    def is_snapshot(self) -> bool:
        """Tell whether levels and rings belong to it."""
        return bool(self.levels)

    def record(self) -> dict[str, Any]:
        """Return the note as plain JSON types, keys in the documented order."""
        record: dict[str, Any] = {
            "type": "control",
            "time_s": round(self.time_s, 3),
            "verb": self.verb,
            "by": self.by,
            "done": self.done,
            "effect": self.effect,
            "channel": self.channel,
            "act": self.act,
        }
        if not self.is_snapshot:
            return record
        return {
            **record,
            "name": self.text or None,
            "channels": [level.record() for level in self.levels],
            "rings": [ring.record() for ring in self.rings],
        }

    def json_line(self) -> str:
        """Return the record as one line of strict JSON."""
        return json.dumps(self.record(), ensure_ascii=False, allow_nan=False)


@runtime_checkable
class NoteTaker(Protocol):
    """A sink that wants notes besides events; others are not asked."""

    def on_note(self, note: Note) -> None:
        """Take one note. Must return at once."""


def hand_out(notes: Sequence[Note], sinks: Sequence[object]) -> None:
    """Give each note to every sink that takes notes."""
    for note in notes:
        for sink in sinks:
            if isinstance(sink, NoteTaker):
                sink.on_note(note)
