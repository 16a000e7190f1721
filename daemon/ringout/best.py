"""The best that so many faders could do for one loop: an optimiser that knows the path.

Owns the yardstick of a practice ring-out; nothing of it reaches the session. It may move as many
bands as the ring-out did, each down to the same cap in the same steps, and looks for the greatest
gain before feedback. The search climbs from several starts, one fader at a time, then trades
faders; it is a heuristic, so its answer is a lower bound of the true best, never above it. Ours.
"""

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.ringout.loop_truth import LoopTruth, limit_of

Real = NDArray[np.float64]

ROUNDS = 60
SHORTLIST = 4


def best_cuts(
    truth: LoopTruth, bands: int, cap_db: float, step_db: float, starts: tuple[Real, ...] = ()
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
    """
    fits = [start for start in starts if np.count_nonzero(start) <= bands]
    climbs = [_climb(truth, start.copy(), bands, cap_db, step_db) for start in (np.zeros(31), *fits)]
    return max(climbs, key=lambda found: found[1])


def _climb(
    truth: LoopTruth, cuts: Real, bands: int, cap_db: float, step_db: float
) -> tuple[Real, float]:
    """Pull faders where it helps the limit most, then trade faders until nothing helps."""
    limit = truth.limit(cuts)[0]
    for _ in range(ROUNDS):
        better = _pulled(truth, cuts, bands, cap_db, step_db) or _traded(
            truth, cuts, cap_db, step_db
        )
        if better is None or better[1] <= limit + 1e-6:
            break
        cuts, limit = better
    return cuts, limit


def _pulled(
    truth: LoopTruth, cuts: Real, bands: int, cap_db: float, step_db: float
) -> tuple[Real, float] | None:
    """Return the best that one fader's move reaches, whatever its length."""
    full = np.count_nonzero(cuts) >= bands
    found: list[tuple[Real, float]] = []
    for band in range(31):
        if full and not cuts[band]:
            continue
        found += _positions(truth, cuts, band, cap_db, step_db)
    return max(found, key=_worth, default=None)


def _traded(
    truth: LoopTruth, cuts: Real, cap_db: float, step_db: float
) -> tuple[Real, float] | None:
    """Give up each used fader in turn and look for the best other one in its place."""
    found: list[tuple[Real, float]] = []
    for band in np.flatnonzero(cuts):
        without = cuts.copy()
        without[band] = 0.0
        _, hertz = truth.limit(without)
        near = np.argsort(np.abs(_centres(truth) - np.log(hertz)))[:SHORTLIST]
        for other in near:
            if not without[other]:
                found += _positions(truth, without, int(other), cap_db, step_db)
    return max(found, key=_worth, default=None)


def _positions(
    truth: LoopTruth, cuts: Real, band: int, cap_db: float, step_db: float
) -> list[tuple[Real, float]]:
    """Try every other position of one fader."""
    rest = cuts.copy()
    rest[band] = 0.0
    loop = truth.loop(rest)
    found = []
    for cut in np.arange(0.0, cap_db + 1e-9, step_db):
        if cut == cuts[band]:
            continue
        tried = rest.copy()
        tried[band] = cut
        heard = loop * truth.band(band, float(cut)) if cut else loop
        found.append((tried, limit_of(heard, truth.frequency_hz)[0]))
    return found


def _worth(found: tuple[Real, float]) -> tuple[float, float]:
    """Rank by limit, then by least cut in all."""
    return round(found[1], 6), -float(found[0].sum())


def _centres(truth: LoopTruth) -> Real:
    from prehowl.detectors.bands import exact_centres_hz

    return np.log(exact_centres_hz())
