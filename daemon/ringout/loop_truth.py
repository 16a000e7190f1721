"""What the loop of one microphone and one wedge allows under any cuts: its limit, exactly.

Owns the truth of a practice ring-out: the path is known here, and nothing of it reaches the
session. The limit is the plain Nyquist condition on the path's own spectrum times the equaliser's
(`prehowl.detectors.graphic_eq`): the strongest frequency whose phase is a multiple of 360
degrees. Crossings are interpolated on a grid four times finer than the path's own.
"""

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from prehowl.detectors.graphic_eq import graphic_sections
from prehowl.detectors.peaking import sections_response

Complex = NDArray[np.complex128]
Real = NDArray[np.float64]

SEARCH_HZ = (25.0, 20000.0)
FINER = 4


class LoopTruth:
    """The limit of one loop under cuts of its graphic equaliser.

    Parameters
    ----------
    path : array, shape (taps,)
        From amplifier input to microphone.
    rate_hz : int
    """

    def __init__(self, path: ArrayLike, rate_hz: int) -> None:
        taps = np.asarray(path, np.float64)
        size = 2 ** int(np.ceil(np.log2(FINER * taps.size)))
        frequency = np.arange(size // 2 + 1) * rate_hz / size
        wanted = (frequency > SEARCH_HZ[0]) & (frequency < min(SEARCH_HZ[1], 0.45 * rate_hz))
        self.rate_hz = rate_hz
        self.frequency_hz: Real = frequency[wanted]
        self._path: Complex = np.fft.rfft(taps, size)[wanted]
        self._s = 2j * np.pi * self.frequency_hz / rate_hz
        self._band = lru_cache(maxsize=4096)(self._one_band)

    def loop(self, cuts_db: ArrayLike) -> Complex:
        """Return path times equaliser on the grid, for 31 cuts in dB >= 0."""
        total = self._path.copy()
        for band, cut in enumerate(np.asarray(cuts_db, np.float64)):
            if cut:
                total *= self._band(band, float(cut))
        return total

    def limit(self, cuts_db: ArrayLike) -> tuple[float, float]:
        """Return the gain in dB at which the loop takes off, and where, Hz."""
        return limit_of(self.loop(cuts_db), self.frequency_hz)

    def band(self, band: int, cut_db: float) -> Complex:
        """Return one band's response on the grid."""
        return self._band(band, cut_db)

    def _one_band(self, band: int, cut_db: float) -> Complex:
        gains = np.zeros(31)
        gains[band] = -cut_db
        return np.asarray(sections_response(graphic_sections(gains, self.rate_hz), self._s))


def limit_of(loop: Complex, frequency_hz: Real) -> tuple[float, float]:
    """Return the gain in dB that brings the strongest phase-true frequency to 0 dB, and where.

    Infinite, at 0 Hz, if no frequency has a phase of 0 mod 360 degrees.
    """
    imag, real = loop.imag, loop.real
    at = np.flatnonzero((imag[:-1] < 0) != (imag[1:] < 0))
    share = imag[at] / (imag[at] - imag[at + 1])
    strength = real[at] + share * (real[at + 1] - real[at])
    if not at.size or strength.max() <= 0:
        return float("inf"), 0.0
    best = int(np.argmax(strength))
    step = frequency_hz[1] - frequency_hz[0]
    return -20 * float(np.log10(strength[best])), float(
        frequency_hz[at[best]] + share[best] * step
    )
