"""The truth about a ring's level: how far it came by itself."""

import numpy as np
import pytest

from prehowl.daemon.bench import ringlevel


def test_a_ring_that_was_lifted_has_not_risen_by_itself() -> None:
    time_s = np.arange(0, 2, 0.001)
    alone = -60 + 40 * time_s
    lifted = np.where(time_s < 1.9, alone - 20, alone)  # a note lifts it in the last tenth
    assert ringlevel.risen_by_itself(time_s, alone, 40.0) == pytest.approx(40 * time_s[-1])
    assert ringlevel.risen_by_itself(time_s, lifted, 40.0) == pytest.approx(4.0, abs=0.1)
