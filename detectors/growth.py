"""Straight-in-dB growth: a ring over the limit grows exponentially until something limits it.

A note's attack is concave in dB (steep, then flat); a ring that emerges from the programme is
first hidden, then straight. So besides slope and residual the fit tells the slope of the later
half against the whole.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.tracks import Tracks


@dataclass(frozen=True, slots=True)
class Rise:
    """Straight-line fits to level over time, one per track; arrays of shape (tracks,)."""

    slope: NDArray[np.float32]  # dB per look
    residual_db: NDArray[np.float32]  # root mean square off the line
    looks: NDArray[np.float32]  # from the first look at which it was seen to the last
    share: NDArray[np.float32]  # of those looks in which it was seen, 0..1

    @property
    def rise_db(self) -> NDArray[np.float32]:
        """Height of the fitted line over the looks in which the ring was seen."""
        return self.slope * self.looks

    def only(self, keep: NDArray[np.intp]) -> "Rise":
        """Return some of the fits."""
        return Rise(self.slope[keep], self.residual_db[keep], self.looks[keep], self.share[keep])


@lru_cache
def _powers_of_time(looks: int) -> NDArray[np.float32]:
    """Return 1, t and t^2 for t = -(looks - 1)..0, shape (looks, 3)."""
    time = np.arange(looks, dtype=np.float32) - (looks - 1)
    return np.stack([np.ones_like(time), time, time * time], axis=1)


def fit(level_db: NDArray[np.float32], present: NDArray[np.float32]) -> Rise:
    """Fit straight lines to levels over time.

    Parameters
    ----------
    level_db, present : ndarray of float32, shape (tracks, looks)
        Newest look last; looks with `present` 0 do not count.

    Notes
    -----
    Least squares from sums, so that the work is three matrix products whatever the number of
    tracks. The idea that a howl is straight in dB is published (slope deviation, see
    `slope_deviation`); asking for growth is ours.
    """
    looks = level_db.shape[1]
    basis = _powers_of_time(looks)
    # Against the newest level: float32 sums of squares would lose tenths of a dB otherwise.
    off = present * (level_db - level_db[:, -1:])
    count, sum_t, sum_tt = (present @ basis).T
    sum_l, sum_lt = (off @ basis[:, :2]).T
    sum_ll = np.einsum("ij,ij->i", off, off)
    first = np.where(count > 0, present.argmax(axis=1), looks - 1)
    count = np.maximum(count, 1)
    spread_t = np.maximum(sum_tt - sum_t * sum_t / count, np.float32(1e-6))
    together = sum_lt - sum_t * sum_l / count
    slope = together / spread_t
    unexplained = np.maximum(sum_ll - sum_l * sum_l / count - slope * together, 0)
    seen_for = (looks - 1 - first).astype(np.float32)
    return Rise(slope, np.sqrt(unexplained / count), seen_for, count / (seen_for + 1))


def slope(level_db: NDArray[np.float32], present: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the slopes that `fit` finds, dB per look; half the work.

    Shapes (..., tracks, looks), broadcast against each other: several questions at once cost
    little more than one.
    """
    basis = _powers_of_time(level_db.shape[-1])
    off = present * (level_db - level_db[..., -1:])
    counted, summed = present @ basis, off @ basis[:, :2]
    count, sum_t, sum_tt = counted[..., 0], counted[..., 1], counted[..., 2]
    sum_l, sum_lt = summed[..., 0], summed[..., 1]
    count = np.maximum(count, 1)
    spread_t = np.maximum(sum_tt - sum_t * sum_t / count, np.float32(1e-6))
    return np.asarray((sum_lt - sum_t * sum_l / count) / spread_t, np.float32)


def slopes_of_the_last(
    level_db: NDArray[np.float32],
    present: NDArray[np.float32],
    rise: Rise,
    parts: Sequence[float],
) -> NDArray[np.float32]:
    """Return the slopes over the last part of the looks of each fit, dB per look.

    Parameters
    ----------
    level_db, present : ndarray of float32, shape (tracks, looks)
    rise : Rise
        From `fit`.
    parts : sequence of float
        0..1 each.

    Returns
    -------
    ndarray of float32, shape (parts, tracks)
    """
    time = _powers_of_time(level_db.shape[1])[:, 1]
    share = np.asarray(parts, np.float32)[:, None]
    span = np.maximum(rise.looks * share, 2)[:, :, None]
    return slope(level_db, present * (time >= -span))


def measure(tracks: Tracks) -> NDArray[np.float32]:
    """Return the slope of each track over its looks, dB per second, decay below zero.

    Returns
    -------
    ndarray of float32, shape (tracks,), dB/s
    """
    return np.asarray(slope(tracks.level_dbfs, tracks.present) / tracks.step_s, np.float32)
