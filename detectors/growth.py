"""Straight-in-dB growth: a ring over the limit grows exponentially until something limits it.

A note's attack is concave in dB (steep, then flat); a ring that emerges from the programme is
first hidden, then straight. So besides slope and residual the fit tells the slope of the later
half against the whole.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.lines import LineView

FRAMES = 16


@dataclass(frozen=True, slots=True)
class Rise:
    """Straight-line fits to level over time, one per line; arrays of shape (lines,)."""

    slope: NDArray[np.float32]  # dB per frame
    residual_db: NDArray[np.float32]  # root mean square off the line
    frames: NDArray[np.float32]  # from the first frame in which the line was seen to the last
    share: NDArray[np.float32]  # of those frames in which it was seen, 0..1

    @property
    def rise_db(self) -> NDArray[np.float32]:
        """Height of the fitted line over the frames in which the ring was seen."""
        return self.slope * self.frames


@lru_cache
def _powers_of_time(frames: int) -> NDArray[np.float32]:
    """Return 1, t and t^2 for t = -(frames - 1)..0, shape (frames, 3)."""
    time = np.arange(frames, dtype=np.float32) - (frames - 1)
    return np.stack([np.ones_like(time), time, time * time], axis=1)


def fit(level_db: NDArray[np.float32], present: NDArray[np.float32]) -> Rise:
    """Fit straight lines to the levels of lines over time.

    Parameters
    ----------
    level_db, present : ndarray of float32, shape (lines, frames)
        Newest frame last; frames with `present` 0 do not count.

    Notes
    -----
    Least squares from sums, so that the work is three matrix products whatever the number of
    lines. The idea that a howl is straight in dB is published (slope deviation, see
    `slope_deviation`); asking for growth is ours.
    """
    frames = level_db.shape[1]
    basis = _powers_of_time(frames)
    # Against the newest level: float32 sums of squares would lose tenths of a dB otherwise.
    off = present * (level_db - level_db[:, -1:])
    count, sum_t, sum_tt = (present @ basis).T
    sum_l, sum_lt = (off @ basis[:, :2]).T
    sum_ll = np.einsum("ij,ij->i", off, off)
    count = np.maximum(count, 1)
    spread_t = np.maximum(sum_tt - sum_t * sum_t / count, np.float32(1e-6))
    together = sum_lt - sum_t * sum_l / count
    slope = together / spread_t
    unexplained = np.maximum(sum_ll - sum_l * sum_l / count - slope * together, 0)
    seen = present.any(axis=1)
    first = np.where(seen, present.argmax(axis=1), frames - 1)
    seen_for = (frames - 1 - first).astype(np.float32)
    return Rise(slope, np.sqrt(unexplained / count), seen_for, count / (seen_for + 1))


def slope_of_the_last(
    level_db: NDArray[np.float32],
    present: NDArray[np.float32],
    rise: Rise,
    part: float,
) -> NDArray[np.float32]:
    """Return the slope over the last `part` (0..1) of the frames of each fit, dB per frame."""
    time = _powers_of_time(level_db.shape[1])[:, 1]
    span = np.maximum(rise.frames * np.float32(part), 2)[:, None]
    return fit(level_db, present * (time >= -span)).slope


def measure(view: LineView) -> NDArray[np.float32]:
    """Return the slope of each line over its last 16 frames, dB per second, decay below zero.

    Returns
    -------
    ndarray of float32, shape (lines,), dB/s
    """
    level, _, present = view.fast.last(view.row, FRAMES)
    return np.asarray(fit(level, present).slope / np.float32(view.hop_s), np.float32)
