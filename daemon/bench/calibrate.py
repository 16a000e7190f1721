"""Find the belief at which the engine may alarm, from howl-free sound of the tune split.

The highest running belief in each stretch of a few seconds is one chance to be fooled. Above a
modest level the number of such stretches falls exponentially, so a level for a rate that is rarer
than the sound is long is read off the straight line through the logarithm of the counts.
"""

from collections.abc import Iterable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.bench import material
from prehowl.daemon.bench.cases import RATE_HZ
from prehowl.daemon.bench.side_by_side import side_by_side
from prehowl.detectors import belief
from prehowl.detectors.engine import ChannelSetup, Engine
from prehowl.detectors.trees import Trees

STRETCH_S = 3.0
BEGIN_S = 2.0
"""Left out at the begin of each sound: a show begins once a day, an excerpt every half a minute."""
PER_HOUR = 0.5
"""False alarms an hour of the tune split's music and speech at the level chosen. Its two pieces of
swelling synthesisers make nearly all of them, and those of the check split next to none: over both
it comes to about one in four hours. Sounds made to fool are left out: a swelling whistle would set
the level for every singer."""

TAIL_COUNTS = (1, 12)
"""The tail is fitted between the levels that so many stretches pass: more are not the tail."""


@dataclass(frozen=True, slots=True)
class Alarm:
    """A level of belief and how the rate of false alarms goes with it."""

    level: float
    nepers_per_e_fold: float


def alarm_level(
    pool: Executor, groups: Sequence[Sequence[material.Excerpt]], trees: Trees
) -> Alarm:
    """Return the level for `PER_HOUR` false alarms in the music and speech of some excerpts."""
    programme = [
        [excerpt for excerpt in group if excerpt.piece.group not in ("nuisance", material.APART)]
        for group in groups
    ]
    parts = list(pool.map(partial(_highest, trees), [group for group in programme if group]))
    hours = sum(excerpt.seconds - BEGIN_S for group in programme for excerpt in group) / 3600
    return fitted(np.concatenate([own for part in parts for own in part]), hours, PER_HOUR)


def fitted(
    highest: NDArray[np.float64],
    hours: float,
    per_hour: float,
    tail_counts: tuple[int, int] = TAIL_COUNTS,
) -> Alarm:
    """Fit the tail of the stretches' highest beliefs.

    Parameters
    ----------
    highest : ndarray, shape (stretches,)
    hours : float
        Of howl-free sound that they come from.
    per_hour : float
        Wanted false alarms an hour.
    tail_counts : (int, int)
        The line goes through the levels that so many pass, from the first to the last.

    Raises
    ------
    ValueError
        If there are too few stretches to see a tail.
    """
    few, many = tail_counts
    ordered = np.sort(highest)[::-1]
    if len(ordered) <= many:
        raise ValueError(f"{len(ordered)} stretches are too few to see a tail; make more sound")
    counts = np.arange(few, many + 1)
    slope, offset = np.polyfit(ordered[counts - 1], np.log(counts), 1)
    wanted = np.log(per_hour * hours)
    return Alarm(float((wanted - offset) / slope), float(-1 / slope))


def _highest(trees: Trees, excerpts: Iterable[material.Excerpt]) -> list[NDArray[np.float64]]:
    """Return the highest belief of each stretch of each excerpt."""
    sounds = [material.render(excerpt, RATE_HZ) for excerpt in excerpts]
    together = side_by_side(sounds)
    engine = Engine(RATE_HZ, [ChannelSetup()] * len(sounds), trees=trees)
    stretches = np.full((len(sounds), int(len(together) / RATE_HZ / STRETCH_S) + 1), belief.FLOOR)
    for tick, resolution, spectra in engine.spectra(together):
        _, verdict = resolution.step(spectra)
        if tick * engine.quantum < BEGIN_S * RATE_HZ:
            continue
        at = int(tick * engine.quantum / RATE_HZ / STRETCH_S)
        np.maximum.at(stretches[:, at], verdict.ch, verdict.belief)
    return list(stretches.astype(np.float64))
