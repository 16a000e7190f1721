"""Which alarms were told as over while the ring stood: truth by the ring's own level."""

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.bench.cases import RATE_HZ, Case
from prehowl.daemon.bench.ringlevel import STEP_S
from prehowl.daemon.bench.score import is_of_mode, modes_of, stories
from prehowl.detectors.rings import RingChange

STANDS_DB = 10.0
"""A ring so little under its loudest stands."""

BEFORE_S, AFTER_S = 0.05, 0.5
"""From when to when, about the moment at which it was told as over, it is looked at."""


def cut_short(case: Case, changes: tuple[RingChange, ...]) -> tuple[int, ...]:
    """Return the ids of alarms that were cleared while a ring at their place stood.

    Half a second after it the ring must still stand for most of the time; the end of the stream,
    which clears all, does not count.
    """
    ends_s = len(case.samples) / RATE_HZ
    modes = modes_of(case)
    return tuple(
        story.id
        for story in stories(changes)
        if story.alarm_s is not None
        and story.cleared_s is not None
        and story.cleared_s < ends_s - BEFORE_S
        and any(
            is_of_mode(story.frequency_hz, ring.frequency_hz, modes)
            and _stands(level_db, story.cleared_s)
            for ring, level_db in zip(case.rings, case.level_db, strict=True)
        )
    )


def _stands(level_db: NDArray[np.float64], time_s: float) -> bool:
    begin, end = (round(at_s / STEP_S) for at_s in (time_s - BEFORE_S, time_s + AFTER_S))
    about = level_db[max(0, begin) : end]
    return len(about) > 0 and bool(np.median(about) > level_db.max() - STANDS_DB)
