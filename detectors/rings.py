"""The states of a ring, the moves between them, and the record of each move."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum


class RingState(StrEnum):
    """How far a ring has come."""

    SUSPECT = "suspect"
    RINGING = "ringing"
    HOWLING = "howling"
    CLEARED = "cleared"


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
