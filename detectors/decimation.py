"""A stream at a fraction of its rate: low notes need long frames, not fine samples.

A low-pass filter, and of what it lets through every so many samples. Filter and choice are one
product with a small matrix for each stretch of samples, which costs a tenth of filtering first.
"""

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray
from scipy import signal

Figures = NDArray[np.float32]

ATTENUATION_DB = 90.0
"""Of what folds back onto the range that is looked at: less than 16 bits can tell."""

LEAST_RATE_OVER_TOP = 3.2
"""Rate after decimation over the highest frequency of that range; lower, the filter gets long."""

STRETCH = 64
"""Samples for each product with the matrix, at least."""


def factor_for(rate_hz: int, top_hz: float) -> int:
    """Return the power of two by which a rate can be divided for what lies up to `top_hz`."""
    spare = rate_hz / (LEAST_RATE_OVER_TOP * top_hz)
    return int(2 ** np.floor(np.log2(spare))) if spare >= 1 else 1


@dataclass(frozen=True, slots=True)
class Decimator:
    """See `decimator_for`."""

    factor: int
    taps: NDArray[np.float64]
    _of_new: Figures  # (stretch, stretch / factor)
    _of_older: Figures  # (older, stretch / factor)

    @property
    def older(self) -> int:
        """How many samples before the new ones are needed."""
        return len(self._of_older)

    def __call__(self, samples: Figures) -> Figures:
        """Return samples at the lower rate.

        Parameters
        ----------
        samples : ndarray of float32, shape (channels, older + n)
            Each channel in one piece; n must be a multiple of `STRETCH` and of the factor.

        Returns
        -------
        ndarray of float32, shape (channels, n / factor)
            The last one is the filter's answer to the last sample.
        """
        stretch, older = len(self._of_new), self.older
        channels, count = len(samples), (samples.shape[1] - older) // stretch
        strides = (samples.strides[0], stretch * samples.itemsize, samples.itemsize)
        new = as_strided(samples[:, older:], (channels, count, stretch), strides, writeable=False)
        old = as_strided(samples, (channels, count, older), strides, writeable=False)
        return (new @ self._of_new + old @ self._of_older).reshape(channels, -1)

    def power_response(self, frequency_hz: NDArray[np.float64], rate_hz: int) -> Figures:
        """Return what is left of the power of tones."""
        _, response = signal.freqz(self.taps, worN=frequency_hz, fs=rate_hz)
        return np.asarray(np.abs(response) ** 2, np.float32)


def decimator_for(rate_hz: int, top_hz: float, factor: int) -> Decimator:
    """Return what divides a rate by a factor and keeps what lies up to `top_hz`.

    Parameters
    ----------
    rate_hz, factor : int
    top_hz : float
        Less than half the lower rate.

    Notes
    -----
    A low-pass with a Kaiser window, as the textbooks have it; its stop band begins where the lower
    rate folds back onto `top_hz`.
    """
    width_hz = rate_hz / factor - 2 * top_hz
    count, beta = signal.kaiserord(ATTENUATION_DB, width_hz / (rate_hz / 2))
    taps = signal.firwin(count | 1, rate_hz / factor / 2, window=("kaiser", beta), fs=rate_hz)
    stretch = max(STRETCH, factor)
    older = max(len(taps) - factor, 0)
    matrix = np.zeros((older + stretch, stretch // factor), np.float32)
    for number, column in enumerate(matrix.T):
        end = older + (number + 1) * factor
        column[end - len(taps) : end] = taps  # symmetric
    return Decimator(factor, taps, matrix[older:], matrix[:older])
