"""Frequency steadiness: the loop's phase locks a ring; voices and strings wander."""

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.bands import share_of
from prehowl.detectors.spectrum import NEPERS_OF_POWER
from prehowl.detectors.tracks import Tracks

CENTS_PER_NEPER = 1200 / np.log(2)
STILL_BINS = 0.03
"""What stands still may seem to move by so much of a bin: of a low tone that is more than a cent,
and what is played beside it moves its place."""

UNKNOWN_CENTS = 100.0
"""Answer for what was seen fewer than three times."""


def still_bins(
    place: NDArray[np.floating] | float, cents: float, least: float = STILL_BINS
) -> NDArray[np.float64]:
    """Return how far a line may move, in bins, and still stand to so many cents.

    Parameters
    ----------
    place : float or ndarray of float
        In bins.
    cents, least : float
        The wider of so many cents and so many bins.
    """
    return np.asarray(np.maximum(np.asarray(place) * share_of(cents), least), np.float64)


def wander_bins(
    level_db: NDArray[np.float32],
    position: NDArray[np.floating],
    present: NDArray[np.float32],
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return mean and standard deviation of a line's place, in bins.

    Parameters
    ----------
    level_db, position, present : ndarray of float, shape (tracks, looks)

    Returns
    -------
    mean, deviation : ndarray of float32, shape (tracks,)
        Looks are weighted with amplitude: while a ring emerges from the programme, its early
        looks are pulled about by what lies beside it.
    """
    top = level_db.max(axis=1, keepdims=True, initial=-140, where=present > 0)
    weight = present * np.exp(np.minimum(level_db - top, 0) * (NEPERS_OF_POWER / 2))
    total = np.maximum(weight.sum(axis=1), np.float32(1e-9))
    mean = (weight * position).sum(axis=1) / total
    spread = (weight * (position - mean[:, None]) ** 2).sum(axis=1) / total
    return mean.astype(np.float32), np.sqrt(spread).astype(np.float32)


def measure(tracks: Tracks) -> NDArray[np.float32]:
    """Return the standard deviation of the line's frequency over its looks, in cents.

    Returns
    -------
    ndarray of float32, shape (tracks,), cents, 0..100

    Notes
    -----
    Source: ours, from the phase condition of the loop; voices and strings wander by tens of
    cents (common practice, no source).
    """
    present = tracks.present
    mean, deviation = wander_bins(tracks.level_dbfs, tracks.position, present)
    cents = CENTS_PER_NEPER * deviation / np.maximum(mean, 1)
    known = present.sum(axis=1) >= 3
    return np.asarray(np.where(known, np.minimum(cents, UNKNOWN_CENTS), UNKNOWN_CENTS), np.float32)
