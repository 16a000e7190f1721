"""Pure signal code: samples in, ring changes out; no devices, files, screens or clocks.

`HOWL_TESTS` is the list of howl tests: each is one function that takes tracks (some bins and their
past, one look a frame) and returns one figure a track. A new test is one new file and one line
here; every event then carries its figure as evidence and the contract tests run over it.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors import (
    growth,
    harmonics,
    neighbours,
    papr,
    persistence,
    slope_deviation,
    steadiness,
)
from prehowl.detectors.tracks import Tracks

HowlTest = Callable[[Tracks], NDArray[np.float32]]

HOWL_TESTS: dict[str, HowlTest] = {
    "papr_db": papr.measure,
    "pnpr_db": neighbours.measure,
    "phpr_db": harmonics.measure,
    "persistence": persistence.measure,
    "imsd_db": slope_deviation.measure,
    "wander_cents": steadiness.measure,
    "growth_db_per_s": growth.measure,
}
"""Name of the figure in the events' evidence -> test."""
