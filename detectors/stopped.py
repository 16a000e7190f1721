"""Rings that have only just stopped: their echo is no news, and a howl that is back is one.

A howl that could not be seen for a moment (samples were lost, a drum drowned it, the device was
away) does not rise when it is back, and would never be alarmed again by its rise. So the places of
alarmed rings are watched for a while.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from prehowl.detectors.bands import cents_apart, share_of
from prehowl.detectors.frame import Frame
from prehowl.detectors.ring_level import STEADY_DB_PER_S, is_fine_enough, is_where_it_rose_from
from prehowl.detectors.rings import SAME_SHARE, Ring
from prehowl.detectors.steadiness import still_bins

ECHO_S = 0.3
"""For so long after a ring has stopped, its frequency is not news: long frames and the running
belief still hold it when short frames have seen it end."""

LINGERING_ECHO_S = 6.0
"""For so long after a ring has stopped it still stands in the long-term spectrum (`longterm`)."""

BACK_S = 3.0
"""So long after it has stopped an alarmed ring may be back without a rise: longer than the silence
that stands in the place of a long gap."""

BACK_DB = 6.0
"""So little under its highest level it must be: one that has come down was pulled."""

BACK_SHARE = 0.4
"""Share of the channel's power that it must have then."""

BACK_FOR_S = 0.1
"""For so long."""

STILL_CENTS = 1.5
"""It stands still to this (standard deviation; see `still_bins`): a voice at its place does not."""

SAME_CENTS, SAME_BINS = 10.0, 0.05
"""A loop rings where it rang: no farther off than the wider of these. One that has howled may go
over to its next mode, where something has moved: as far off as is its place (`SAME_SHARE`)."""

LASTED_S, BACK_AGAIN_S = 2.0, 1.0
"""A ring that was back, and went on for less than the first of these, must stand for the second the
next time: a note that is played again and again does not."""


@dataclass(frozen=True, slots=True)
class Back:
    """A ring that had stopped and stands again."""

    before: Ring
    frequency_hz: float
    level_dbfs: float


@dataclass(slots=True)
class _Stopped:
    ring: Ring
    sample: int
    needed_s: float  # how long it must stand to be back
    back_sample: int | None = None  # since when it does
    is_told: bool = False


class StoppedRings:
    """Keep rings for a while after they have stopped."""

    def __init__(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._kept: list[_Stopped] = []

    def __bool__(self) -> bool:
        """Tell whether any is kept."""
        return bool(self._kept)

    def may_be_back(self, sample: int) -> bool:
        """Tell whether any is to be watched for, lest it stand again."""
        return bool(self._watched_for(sample))

    def add(self, ring: Ring, sample: int) -> None:
        """Keep a ring that has just stopped, in the place of an older one that rang there.

        A suspect does not take the place of an alarm: that may still be back.
        """
        self._kept = [s for s in self._kept if not _is_replaced(s.ring, ring)]
        lasted_s = (sample - ring.onset_sample) / self._rate_hz
        is_doubtful = ring.is_back and lasted_s < LASTED_S
        self._kept.append(_Stopped(ring, sample, BACK_AGAIN_S if is_doubtful else BACK_FOR_S))

    def forget(self, sample: int) -> None:
        """Let go of what stopped too long ago to matter."""
        since = sample - round(LINGERING_ECHO_S * self._rate_hz)
        self._kept = [stopped for stopped in self._kept if stopped.sample > since]

    def echoing(self, sample: int, echo_s: float) -> Iterator[Ring]:
        """Return those that stopped less than so many seconds ago."""
        since = sample - round(echo_s * self._rate_hz)
        return (stopped.ring for stopped in self._kept if stopped.sample > since)

    def back(self, frame: Frame) -> list[Back]:
        """Return the alarmed rings that stand again; `take` those that are told."""
        recent = self._watched_for(frame.sample)
        watched = [stopped for stopped in recent if _is_seen_by(stopped.ring, frame)]
        if not watched:
            return []
        places = [_loudest_hz(stopped.ring, frame) for stopped in watched]
        seen = frame.sighting([stopped.ring.ch for stopped in watched], places)
        found = []
        for number, stopped in enumerate(watched):
            level, hz = float(seen.level_dbfs[number]), float(seen.frequency_hz[number])
            stands = bool(seen.is_peak[number]) and seen.share[number] >= BACK_SHARE
            stands &= _is_as_loud(stopped.ring, level)
            stands &= abs(hz - stopped.ring.frequency_hz) <= _reach_hz(stopped.ring, frame)
            still = still_bins(hz / frame.now.bin_hz, STILL_CENTS)
            stands &= bool(seen.wander_bins[number] < still)
            stands &= bool(seen.slope_db_per_s[number] > -STEADY_DB_PER_S)
            if not stands:
                stopped.back_sample = None
            elif stopped.back_sample is None:
                stopped.back_sample = frame.sample
            elif (frame.sample - stopped.back_sample) / self._rate_hz >= stopped.needed_s:
                stopped.back_sample = None  # if it is not taken, it must stand anew
                found.append(Back(stopped.ring, hz, level))
        return found

    def _watched_for(self, sample: int) -> list[_Stopped]:
        """Return those that were alarmed lately and are not told anew yet."""
        since = sample - round(BACK_S * self._rate_hz)
        return [s for s in self._kept if s.sample > since and s.ring.was_alarmed and not s.is_told]

    def take(self, back: Back) -> None:
        """Watch no longer for a ring that is told as back."""
        for stopped in self._kept:
            stopped.is_told |= stopped.ring is back.before


def _is_replaced(older: Ring, newer: Ring) -> bool:
    is_near = cents_apart(older.frequency_hz, newer.frequency_hz) < SAME_CENTS
    is_as_much = newer.was_alarmed or not older.was_alarmed
    return older.ch == newer.ch and is_near and is_as_much


def _is_seen_by(ring: Ring, frame: Frame) -> bool:
    return is_fine_enough(ring, frame.now.bin_hz) and frame.covers(ring.frequency_hz)


def _is_as_loud(ring: Ring, level_dbfs: float) -> bool:
    """Tell whether a line is about as loud as the ring was, and no line that stood there before."""
    is_as_loud = level_dbfs > ring.top_dbfs - BACK_DB
    return is_as_loud and not is_where_it_rose_from(ring, level_dbfs)


def _reach_hz(ring: Ring, frame: Frame) -> float:
    if ring.has_howled:
        return SAME_SHARE * ring.frequency_hz
    return max(share_of(SAME_CENTS) * ring.frequency_hz, SAME_BINS * frame.now.bin_hz)


def _loudest_hz(ring: Ring, frame: Frame) -> float:
    """Return the middle of the loudest bin where a ring might be back."""
    reach = _reach_hz(ring, frame)
    low, high = (round((ring.frequency_hz + off) / frame.now.bin_hz) for off in (-reach, reach))
    low, high = max(low, 1), min(high, frame.now.power.shape[1] - 2)
    return float((low + frame.now.power[ring.ch, low : high + 1].argmax()) * frame.now.bin_hz)
