"""What a channel sounds like in the long run: running means of its spectrum, and the lines in it.

Speech and noise have a smooth long-term spectrum; a loop close to its limit stands in it as one
narrow line, music as many.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from prehowl.detectors.spectrum import decibels

Figures = NDArray[np.float32]

FAST_S, SLOW_S = 1.5, 12.0
"""Time constants of the two means: what stands there now, and what the channel is like."""

NEAR_BINS, FAR_BINS = 3, 11
"""A line's ground is what lies between these distances on both sides of it."""

LEAST_PROMINENCE_DB = 5.0
QUIETEST_LINE_DB = -45.0
"""Against the channel's long-term power: quieter lines are not counted."""

TINY_POWER = np.float32(1e-20)

TONE_DB = np.float32(10 * np.log10(1.5))
"""The three bins of a tone under a Hann window hold so much more than the highest alone."""


@dataclass(frozen=True, slots=True)
class LongTermSpectrum:
    """One of the means, as read at one moment; arrays of shape (channels, bins) or (channels,)."""

    level_dbfs: Figures
    prominence_db: Figures  # over the mean level, in dB, of the ground
    relative_db: Figures  # a tone there, against the channel's power
    total_dbfs: Figures  # (channels,)
    is_line: NDArray[np.bool_]
    lines: Figures  # (channels,) how many


class LongTerm:
    """Running means of power spectra.

    Parameters
    ----------
    channels, bins : int
    hop_s : float
        Time between two spectra.
    first_bin, last_bin : int
        Where lines are looked for, inclusive.
    """

    def __init__(
        self, channels: int, bins: int, hop_s: float, first_bin: int, last_bin: int
    ) -> None:
        self._means = [np.zeros((channels, bins), np.float32) for _ in range(2)]
        self._steps = [np.float32(hop_s / tau_s) for tau_s in (FAST_S, SLOW_S)]
        self._totals = [np.zeros(channels, np.float32) for _ in range(2)]
        self._change = np.empty((channels, bins), np.float32)
        self._first, self._last = first_bin, last_bin
        self.heard = 0

    def add(self, power: Figures, total: Figures) -> None:
        """Take in one spectrum of shape (channels, bins), and its sum over all bins there are."""
        self.heard += 1
        for mean, whole, step in zip(self._means, self._totals, self._steps, strict=True):
            # A plain mean at first, then one with a memory.
            share = max(step, np.float32(1 / self.heard))
            np.subtract(power, mean, out=self._change)
            self._change *= share
            mean += self._change
            whole += share * (total - whole)

    def read(self) -> tuple[LongTermSpectrum, LongTermSpectrum]:
        """Return the fast and the slow mean as they stand."""
        fast, slow = map(self._read, self._means, self._totals)
        return fast, slow

    def _read(self, mean: Figures, whole: Figures) -> LongTermSpectrum:
        # Silence would fall into numbers so small that they cost ten times as much.
        mean[mean < TINY_POWER] = 0
        level = decibels(mean)
        prominence = level - ground_db(level)
        total = decibels(whole)
        relative = level + TONE_DB - total[:, None]
        is_line = np.zeros(level.shape, bool)
        here = slice(self._first, self._last + 1)
        below, above = (slice(self._first + k, self._last + 1 + k) for k in (-1, 1))
        is_line[:, here] = (level[:, here] > level[:, below]) & (level[:, here] >= level[:, above])
        is_line &= (prominence >= LEAST_PROMINENCE_DB) & (relative >= QUIETEST_LINE_DB)
        lines = is_line.sum(axis=1, dtype=np.float32)
        return LongTermSpectrum(level, prominence, relative, total, is_line, lines)


def ground_db(level_db: Figures) -> Figures:
    """Return the mean level around each bin, its own main lobe and near skirt left out.

    Parameters
    ----------
    level_db : ndarray, shape (channels, bins)
    """
    near, far = 2 * NEAR_BINS + 1, 2 * FAR_BINS + 1
    wide = uniform_filter1d(level_db, far, axis=1, mode="nearest") * far
    narrow = uniform_filter1d(level_db, near, axis=1, mode="nearest") * near
    return np.asarray((wide - narrow) / (far - near), np.float32)
