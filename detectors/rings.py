"""The states of a ring, the moves between them, and the record of each move."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum


class RingState(StrEnum):
    """How far a ring has come."""

    SUSPECT = "suspect"  # early warning
    RINGING = "ringing"  # alarm: the loop is at or over its limit
    HOWLING = "howling"  # alarm: sustained runaway
    CLEARED = "cleared"


SAME_SHARE = 0.03
"""A line so near to a ring's frequency, as a share of it, is at the ring's place."""

ALARMS = (RingState.RINGING, RingState.HOWLING)

MOVES: Mapping[RingState | None, frozenset[RingState]] = {
    None: frozenset({RingState.SUSPECT, RingState.RINGING}),
    RingState.SUSPECT: frozenset({RingState.RINGING, RingState.CLEARED}),
    RingState.RINGING: frozenset({RingState.HOWLING, RingState.CLEARED}),
    RingState.HOWLING: frozenset({RingState.CLEARED}),
    RingState.CLEARED: frozenset(),
}
"""From which state (None: not yet a ring) a ring may move to which; cleared is the end."""


def move(state: RingState | None, to: RingState) -> RingState:
    """Return `to` if the table allows the move.

    Raises
    ------
    ValueError
        If it does not.
    """
    if to not in MOVES[state]:
        allowed = ", ".join(sorted(MOVES[state])) or "nothing"
        raise ValueError(f"a ring cannot move from {state} to {to}; allowed: {allowed}")
    return to


@dataclass
class Ring:
    """One ring while it lives."""

    id: int
    ch: int
    state: RingState | None
    frequency_hz: float
    bin_hz: float  # of the resolution that gave the frequency
    onset_sample: int
    level_dbfs: float
    top_dbfs: float
    growth_db_per_s: float | None  # None: it had risen before it was seen
    slope_db_per_s: float  # now
    suspicion: float
    seen_sample: int  # last time that it was a peak
    level_sample: int  # last time that its level was read
    proof_sample: int  # last time that the evidence reached that of a suspect
    rise_sample: int | None = None  # last time that a rise was the evidence
    lingers_sample: int | None = None  # last time that it was found to linger
    start_dbfs: float | None = None  # the level from which it rose, where that was seen
    is_back: bool = False  # it was alarmed without a rise: one that had stopped stood again
    alarm_dbfs: float = math.inf  # its level when it was alarmed
    has_howled: bool = False
    down_sample: int | None = None  # since when it has been far under its top
    takeover_sample: int | None = None  # since when it holds most of the channel's power
    takeover_hz: float = 0.0  # and where it stood then; means nothing without
    evidence: Mapping[str, float | None] = field(default_factory=dict)

    @property
    def was_alarmed(self) -> bool:
        """Tell whether it is, or was before it was cleared, an alarm."""
        return self.alarm_dbfs < math.inf


@dataclass(frozen=True, slots=True)
class RingChange:
    """One ring enters one state, in the engine's own terms."""

    id: int  # one ring through its states, from 1
    ch: int  # channel index from 0
    state: RingState
    sample: int  # samples consumed per channel when the change was raised
    onset_sample: int | None
    frequency_hz: float
    band_hz: float  # nominal ISO 266 centre
    level_dbfs: float
    growth_db_per_s: float | None
    margin_db: float | None
    cut_db: float | None
    evidence: Mapping[str, float | None]
