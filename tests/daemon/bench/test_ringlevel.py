"""The truth about a ring's level: how far it came in sight."""

import numpy as np
import pytest

from prehowl.daemon.bench import ringlevel


def test_a_ring_that_was_lifted_or_covered_has_not_risen_in_sight() -> None:
    time_s = np.arange(0, 2, 0.001)
    alone = -60 + 40 * time_s
    lifted = np.where(time_s < 1.9, alone - 20, alone)  # a note lifts it in the last tenth
    silence = np.full(len(time_s), -120.0)
    vowel = np.where((time_s > 1.0) & (time_s < 1.5), 0.0, -120.0)  # at the ring's own frequency
    for level, covered, rise_db in (
        (alone, silence, 40 * time_s[-1]),
        (lifted, silence, 4.0),
        (alone, vowel, 20.0),
        (alone, alone + 1, 0.0),
    ):
        told = ringlevel.risen_in_sight(time_s, level, covered, 40.0)
        assert told == pytest.approx(rise_db, abs=0.1)
