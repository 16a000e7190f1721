"""What belongs to a ring: its own line, the skirt of it, and the multiples that clipping makes."""

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.bands import cents_apart
from prehowl.detectors.frame import Frame
from prehowl.detectors.rings import SAME_SHARE, Ring, RingState

HARMONIC_CENTS = 50.0
"""A line nearer than this to a ring's multiple is its harmonic (a semitone is 100)."""

HARMONICS = range(2, 10)
"""A clipping amplifier makes these of a howl; they are not rings of their own."""

HARMONIC_DB = 5.0
"""So much quieter they are at least."""

SKIRT_DB, SKIRT_BINS = 25.0, 12
"""The window's own skirt of a ring that starts or stops abruptly: so much under it, so far off."""


def reach_hz(ring: Ring, bin_hz: float) -> float:
    """Return how far off a line still is the ring's own, in frames with such bins."""
    return max(1.5 * bin_hz, SAME_SHARE * ring.frequency_hz)


def belongs(ring: Ring, frequency_hz: float, level_dbfs: float, bin_hz: float) -> bool:
    """Tell whether a line on the ring's channel is part of it; of a cleared one, its place only."""
    away = abs(frequency_hz - ring.frequency_hz)
    if away < reach_hz(ring, bin_hz):
        return True
    if ring.state is RingState.CLEARED:
        return False
    under = ring.level_dbfs - level_dbfs
    is_skirt = under > SKIRT_DB and away < SKIRT_BINS * bin_hz
    return is_skirt or (under > HARMONIC_DB and _is_multiple(frequency_hz, ring.frequency_hz))


def places_of(frame: Frame, places: NDArray[np.intp], ring: Ring) -> list[int]:
    """Return those of some places of a frame's verdict that are a ring's."""
    ch = frame.verdict.ch
    return [int(p) for p in places if ch[p] == ring.ch and _is_near(frame, int(p), ring)]


def _is_near(frame: Frame, place: int, ring: Ring) -> bool:
    away = abs(float(frame.verdict.place[place]) * frame.now.bin_hz - ring.frequency_hz)
    return away < reach_hz(ring, frame.now.bin_hz)


def _is_multiple(frequency_hz: float, base_hz: float) -> bool:
    return any(cents_apart(frequency_hz, n * base_hz) < HARMONIC_CENTS for n in HARMONICS)
