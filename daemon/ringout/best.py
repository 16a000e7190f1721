"""The best that so many faders could do for one loop: an optimiser that knows the path.

Owns the yardstick of a practice ring-out; nothing of it reaches the session. It may move as many
bands as the ring-out did, each down to the same cap in the same steps, and looks for the greatest
gain before feedback. The search climbs from several starts, one fader at a time, then trades
faders; it is a heuristic, so its answer is a lower bound of the true best, never above it. Ours.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.ringout.loop_truth import LoopTruth
from prehowl.detectors.bands import exact_centres_hz

Real = NDArray[np.float64]

ROUNDS = 80
REACH = 6
"""Faders, nearest first, that are tried at the frequency that limits."""
SHORTLIST = 3
"""Faders that are tried in place of one that is given up."""
LEAST_DB = 1e-3


@dataclass(frozen=True, slots=True)
class _Rules:
    bands: int
    cap_db: float
    step_db: float
    most_in_all_db: float


def best_cuts(
    truth: LoopTruth,
    bands: int,
    cap_db: float,
    step_db: float,
    starts: tuple[Real, ...] = (),
    *,
    most_in_all_db: float = float("inf"),
) -> tuple[Real, float]:
    """Return 31 cuts with at most `bands` above zero, and the limit in dB that they reach.

    Parameters
    ----------
    truth : LoopTruth
    bands : int
        How many faders may leave zero.
    cap_db, step_db : float
        Of the faders.
    starts : tuple of ndarray, shape (31,)
        Settings to climb from besides the flat one; those with too many bands are not used.
    most_in_all_db : float
        All cuts together may be no more than this.
    """
    rules = _Rules(bands, cap_db, step_db, most_in_all_db)
    fits = [start for start in starts if np.count_nonzero(start) <= bands]
    climbs = [_climb(truth, start.copy(), rules) for start in (np.zeros(31), *fits)]
    return max(climbs, key=lambda found: found[1])


def _climb(truth: LoopTruth, cuts: Real, rules: _Rules) -> tuple[Real, float]:
    """Pull faders where it helps the limit most, then trade faders until nothing helps."""
    limit, hertz = truth.limit(cuts)
    for _ in range(ROUNDS):
        better = _pulled(truth, cuts, hertz, rules)
        if better is None or better[1] <= limit + LEAST_DB:
            better = _traded(truth, cuts, rules)
        if better is None or better[1] <= limit + LEAST_DB:
            break
        cuts = better[0]
        limit, hertz = truth.limit(cuts)
    return cuts, limit


def _pulled(truth: LoopTruth, cuts: Real, hertz: float, rules: _Rules) -> tuple[Real, float] | None:
    """Return the best that one fader near the limiting frequency reaches, in any position."""
    full = np.count_nonzero(cuts) >= rules.bands
    found: list[tuple[Real, float]] = []
    for band in _near(hertz, REACH):
        if not full or cuts[band]:
            found += _positions(truth, cuts, band, rules)
    return max(found, key=_worth, default=None)


def _traded(truth: LoopTruth, cuts: Real, rules: _Rules) -> tuple[Real, float] | None:
    """Give up each used fader in turn and look for the best other one in its place."""
    found: list[tuple[Real, float]] = []
    for band in np.flatnonzero(cuts):
        without = cuts.copy()
        without[band] = 0.0
        _, hertz = truth.limit(without)
        for other in _near(hertz, SHORTLIST):
            if not without[other]:
                found += _positions(truth, without, other, rules)
    return max(found, key=_worth, default=None)


def _positions(truth: LoopTruth, cuts: Real, band: int, rules: _Rules) -> list[tuple[Real, float]]:
    """Try every other position of one fader."""
    rest = cuts.copy()
    rest[band] = 0.0
    loop = truth.loop(rest)
    found = []
    most = min(rules.cap_db, rules.most_in_all_db - float(rest.sum()))
    for cut in np.arange(0.0, most + 1e-9, rules.step_db):
        if cut == cuts[band]:
            continue
        tried = rest.copy()
        tried[band] = cut
        heard = loop * truth.band(band, float(cut)) if cut else loop
        found.append((tried, truth.limit_of(heard)[0]))
    return found


def _worth(found: tuple[Real, float]) -> tuple[float, float]:
    """Rank by limit, then by least cut in all."""
    return round(found[1], 6), -float(found[0].sum())


def _near(hertz: float, count: int) -> list[int]:
    """Return the faders nearest to a frequency."""
    away = np.abs(np.log(exact_centres_hz() / max(hertz, 1.0)))
    return [int(band) for band in np.argsort(away, kind="stable")[:count]]
