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
WEAKER_DB = 15.0
"""Frequencies so far below the strongest one never limit the loop: nobody pulls so far."""


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
        spectrum = np.fft.rfft(taps, size)
        wanted = (frequency > SEARCH_HZ[0]) & (frequency < min(SEARCH_HZ[1], 0.45 * rate_hz))
        strength = np.abs(spectrum)
        wanted &= strength > strength[wanted].max() * 10 ** (-WEAKER_DB / 20)
        self.rate_hz = rate_hz
        self.frequency_hz: Real = frequency[wanted]
        self._is_next = np.diff(np.flatnonzero(wanted)) == 1
        self._step_hz = rate_hz / size
        self._path: Complex = spectrum[wanted]
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
        return self.limit_of(self.loop(cuts_db))

    def band(self, band: int, cut_db: float) -> Complex:
        """Return one band's response on the grid."""
        return self._band(band, cut_db)

    def limit_of(self, loop: Complex) -> tuple[float, float]:
        """Return the gain in dB that brings the strongest phase-true frequency to 0 dB, and where.

        Infinite, at 0 Hz, if no frequency has a phase of 0 mod 360 degrees.
        """
        hertz, strength = self._phase_true(loop)
        if not strength.size:
            return float("inf"), 0.0
        best = int(np.argmax(strength))
        return -20 * float(np.log10(strength[best])), float(hertz[best])

    def over(self, cuts_db: ArrayLike, gain_db: float) -> list[tuple[float, float]]:
        """Return (Hz, dB over the limit) of what takes off at a gain, strongest first."""
        hertz, strength = self._phase_true(self.loop(cuts_db))
        over_db = 20 * np.log10(strength) + gain_db
        order = np.argsort(-over_db, kind="stable")
        return [(float(hertz[i]), float(over_db[i])) for i in order if over_db[i] > 0]

    def _phase_true(self, loop: Complex) -> tuple[Real, Real]:
        """Return where the phase is a multiple of 360 degrees, Hz, and the loop's size there."""
        imag, real = loop.imag, loop.real
        at = np.flatnonzero(((imag[:-1] < 0) != (imag[1:] < 0)) & self._is_next)
        share = imag[at] / (imag[at] - imag[at + 1])
        strength = real[at] + share * (real[at + 1] - real[at])
        real_ones = strength > 0
        hertz = self.frequency_hz[at] + share * self._step_hz
        return hertz[real_ones], strength[real_ones]

    def _one_band(self, band: int, cut_db: float) -> Complex:
        gains = np.zeros(31)
        gains[band] = -cut_db
        return np.asarray(sections_response(graphic_sections(gains, self.rate_hz), self._s))
