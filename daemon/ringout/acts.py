"""What can be added to a ring-out: acts of a person, and what the machine hears.

Both are journalled in one order; the state is their fold (`session.step`). The journal's own form
of them is in `records`.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Made:
    """The person has pulled what was asked for."""

    time_s: float


@dataclass(frozen=True, slots=True)
class Corrected:
    """The person has pulled something else: where faders stand now, as (band, cut in all)."""

    time_s: float
    faders: tuple[tuple[float, float], ...]  # (nominal Hz, dB >= 0)


@dataclass(frozen=True, slots=True)
class Skip:
    """The person says: leave this one, no cut (a false alarm, or only the send went down)."""

    time_s: float


@dataclass(frozen=True, slots=True)
class Undo:
    """Take back the cut that was counted last; asked for again and again, all of them."""

    time_s: float


@dataclass(frozen=True, slots=True)
class Raised:
    """The person has given more gain by so much; below zero: less."""

    time_s: float
    by_db: float


@dataclass(frozen=True, slots=True)
class GainEntered:
    """The person says how much gain has been won, in place of the measured figure."""

    time_s: float
    db: float


@dataclass(frozen=True, slots=True)
class GoOn:
    """The person goes on although it was advised to stop."""

    time_s: float


@dataclass(frozen=True, slots=True)
class Finish:
    """The person ends the ring-out; the sheet is written."""

    time_s: float
    floor_db: tuple[float, ...] | None = None


@dataclass(frozen=True, slots=True)
class RingHeard:
    """The engine alarms."""

    time_s: float
    ring_id: int
    frequency_hz: float
    level_dbfs: float
    growth_db_per_s: float | None
    margin_db: float | None
    floor_db: tuple[float, ...] | None = None  # the mix' noise floor per band just before
    at: str = ""  # ISO 8601 date and time by the clock; "" where nobody can know it


@dataclass(frozen=True, slots=True)
class RingGone:
    """The engine has cleared a ring."""

    time_s: float
    ring_id: int


@dataclass(frozen=True, slots=True)
class Interrupted:
    """Nobody listened for a while: rings of before are over, what was pulled is not known."""

    time_s: float


@dataclass(frozen=True, slots=True)
class TimeUp:
    """Waiting has come to its end: the ring has stayed away, or has not responded."""

    time_s: float


@dataclass(frozen=True, slots=True)
class Kept:
    """All that follows from the end is done: the sheet is on the disk, if there is to be one."""

    time_s: float


PersonAct = Made | Corrected | Skip | Undo | Raised | GainEntered | GoOn | Finish
Entry = PersonAct | RingHeard | RingGone | Interrupted | TimeUp | Kept
