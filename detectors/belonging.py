"""What belongs to a ring: its own line, the skirt of it, and the multiples that clipping makes."""

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.bands import share_of
from prehowl.detectors.frame import Frame
from prehowl.detectors.rings import Ring, RingState

OWN_BINS, OWN_CENTS = 1.5, 8.0
"""A line nearer to a ring than the wider of these is its own. The loop's next mode may be no
farther off than the inverse of its delay: at 20 ms 50 Hz, at 7 kHz 12 cents."""

HARMONIC_BINS, HARMONIC_CENTS = 0.3, 5.0
"""A line nearer to a ring's multiple than the wider of these is its harmonic: that is as exact as
the ring, and another ring may lie close to one of so many multiples."""

HARMONICS = range(2, 10)
"""A clipping amplifier makes these of a howl; they are not rings of their own."""

HARMONIC_DB = 5.0
"""So much quieter they are at least."""

SKIRT_DB, SKIRT_BINS = 25.0, 12
"""The window's own skirt of a ring that starts or stops abruptly: so much under it, so far off."""


def reach_hz(ring: Ring, bin_hz: float) -> float:
    """Return how far off a line still is the ring's own, in frames with such bins."""
    return max(OWN_BINS * bin_hz, share_of(OWN_CENTS) * ring.frequency_hz)


def belongs(ring: Ring, frequency_hz: float, level_dbfs: float, bin_hz: float) -> bool:
    """Tell whether a line on the ring's channel is part of it; of a cleared one, its place only."""
    away = abs(frequency_hz - ring.frequency_hz)
    if away < reach_hz(ring, bin_hz):
        return True
    if ring.state is RingState.CLEARED:
        return False
    under = ring.level_dbfs - level_dbfs
    is_skirt = under > SKIRT_DB and away < SKIRT_BINS * bin_hz
    return is_skirt or (
        under > HARMONIC_DB and _is_multiple(frequency_hz, ring.frequency_hz, bin_hz)
    )


def places_of(frame: Frame, places: NDArray[np.intp], ring: Ring) -> list[int]:
    """Return those of some places of a frame's verdict that are a ring's."""
    ch = frame.verdict.ch
    return [int(p) for p in places if ch[p] == ring.ch and _is_near(frame, int(p), ring)]


def _is_near(frame: Frame, place: int, ring: Ring) -> bool:
    away = abs(float(frame.verdict.place[place]) * frame.now.bin_hz - ring.frequency_hz)
    return away < reach_hz(ring, frame.now.bin_hz)


def _is_multiple(frequency_hz: float, base_hz: float, bin_hz: float) -> bool:
    reach = max(HARMONIC_BINS * bin_hz, share_of(HARMONIC_CENTS) * frequency_hz)
    return any(abs(frequency_hz - n * base_hz) < reach for n in HARMONICS)
