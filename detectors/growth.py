"""Straight-in-dB growth: a ring over the limit grows exponentially until something limits it.

A note's attack is concave in dB (steep, then flat); a ring that emerges from the programme is
first hidden, then straight. So besides slope and residual the fit tells the slope of the later
half against the whole.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.lines import LineView

FRAMES = 16


@dataclass(frozen=True, slots=True)
class Rise:
    """Straight-line fits to level over time, one per line; arrays of shape (lines,)."""

    slope: NDArray[np.float32]  # dB per frame
    late_slope: NDArray[np.float32]  # of the later half, dB per frame
    last_slope: NDArray[np.float32]  # of the last quarter
    residual_db: NDArray[np.float32]  # root mean square off the line
    frames: NDArray[np.float32]  # from the first frame in which the line was seen to the last
    share: NDArray[np.float32]  # of those frames in which it was seen, 0..1

    @property
    def rise_db(self) -> NDArray[np.float32]:
        """Height of the fitted line over the frames in which the ring was seen."""
        return self.slope * self.frames


def _weighted_slope(
    weight: NDArray[np.float32], time: NDArray[np.float32], level: NDArray[np.float32]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    total = np.maximum(weight.sum(axis=1), np.float32(1e-9))
    mean_t = (weight @ time) / total
    mean_l = (weight * level).sum(axis=1) / total
    off_t = time - mean_t[:, None]
    variance = (weight * off_t * off_t).sum(axis=1)
    covariance = (weight * off_t * level).sum(axis=1)
    slope = covariance / np.maximum(variance, np.float32(1e-6))
    return slope, mean_l - slope * mean_t


def fit(level_db: NDArray[np.float32], present: NDArray[np.float32]) -> Rise:
    """Fit straight lines to the levels of lines over time.

    Parameters
    ----------
    level_db, present : ndarray of float32, shape (lines, frames)
        Newest frame last; frames with `present` 0 do not count.

    Notes
    -----
    Least squares. The idea that a howl is straight in dB is published (slope deviation, see
    `slope_deviation`); asking for growth and for an unbroken late half is ours.
    """
    frames = level_db.shape[1]
    time = np.arange(frames, dtype=np.float32) - (frames - 1)
    slope, at_end = _weighted_slope(present, time, level_db)
    off = present * (level_db - at_end[:, None] - slope[:, None] * time)
    count = np.maximum(present.sum(axis=1), 1)
    residual = np.sqrt((off * off).sum(axis=1) / count)
    first = np.where(present.any(axis=1), present.argmax(axis=1), frames - 1)
    seen_for = (frames - 1 - first).astype(np.float32)
    late_slope, last_slope = (
        _weighted_slope(
            present * (time >= -np.maximum(seen_for * part, 2)[:, None]), time, level_db
        )[0]
        for part in (np.float32(0.5), np.float32(0.25))
    )
    return Rise(slope, late_slope, last_slope, residual, seen_for, count / (seen_for + 1))


def measure(view: LineView) -> NDArray[np.float32]:
    """Return the slope of each line over its last 16 frames, dB per second, decay below zero.

    Returns
    -------
    ndarray of float32, shape (lines,), dB/s
    """
    level, _, present = view.fast.last(view.row, FRAMES)
    return np.asarray(fit(level, present).slope / np.float32(view.hop_s), np.float32)
