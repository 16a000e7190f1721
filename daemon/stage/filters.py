"""Second-order sections of what colours sound on a stage, from their published specification.

Peaking, shelving and pass filters after the W3C Audio EQ Cookbook (Working Group Note, 8 June
2021). Sections are rows (b0, b1, b2, 1, a1, a2) as `scipy.signal.sosfilt` takes them.
"""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.signal import sosfilt

from prehowl.detectors.bands import exact_centres_hz

Real = NDArray[np.float64]

THIRD_OCTAVE_Q = 4.318
"""1/Q = 2 sinh((ln 2 / 2) BW) with BW = 1/3 octave."""


def peaking(frequency_hz: float, gain_db: float, q: float, rate_hz: float) -> Real:
    """Return one peaking section, shape (6,); gain in dB at its centre."""
    strength = 10 ** (gain_db / 40)
    cosine, alpha = _angle(frequency_hz, q, rate_hz)
    return _section(
        (1 + alpha * strength, -2 * cosine, 1 - alpha * strength),
        (1 + alpha / strength, -2 * cosine, 1 - alpha / strength),
    )


def high_pass(frequency_hz: float, q: float, rate_hz: float) -> Real:
    """Return a second-order high pass, shape (6,)."""
    cosine, alpha = _angle(frequency_hz, q, rate_hz)
    half = (1 + cosine) / 2
    return _section((half, -2 * half, half), (1 + alpha, -2 * cosine, 1 - alpha))


def low_pass(frequency_hz: float, q: float, rate_hz: float) -> Real:
    """Return a second-order low pass, shape (6,)."""
    cosine, alpha = _angle(frequency_hz, q, rate_hz)
    half = (1 - cosine) / 2
    return _section((half, 2 * half, half), (1 + alpha, -2 * cosine, 1 - alpha))


def band_pass(frequency_hz: float, q: float, rate_hz: float) -> Real:
    """Return a band pass with 0 dB at its centre, shape (6,)."""
    cosine, alpha = _angle(frequency_hz, q, rate_hz)
    return _section((alpha, 0.0, -alpha), (1 + alpha, -2 * cosine, 1 - alpha))


def graphic(band_gains_db: Sequence[float] | Real, rate_hz: float) -> Real:
    """Return the sections of a 31-band graphic equaliser, shape (bands moved, 6).

    Parameters
    ----------
    band_gains_db : sequence of 31 numbers
        Fader positions in dB from the 20 Hz band up; a cut is negative. Untouched bands make no
        section, so a flat equaliser is the identity and costs nothing.
    rate_hz : float
        Bands whose centre lies above 0.45 of it are left out.
    """
    moved = [
        peaking(centre, float(gain), THIRD_OCTAVE_Q, rate_hz)
        for centre, gain in zip(exact_centres_hz(), band_gains_db, strict=True)
        if gain and centre < 0.45 * rate_hz
    ]
    return np.array(moved).reshape(-1, 6)


def sections_response(
    sections: Real, s: NDArray[np.complexfloating[Any, Any]]
) -> NDArray[np.complex128]:
    """Return the cascade's gain at complex s per sample (z = e^s), shape of s."""
    back = np.exp(-s)
    total = np.ones(s.shape, complex)
    for b0, b1, b2, a0, a1, a2 in sections:
        total *= (b0 + back * (b1 + back * b2)) / (a0 + back * (a1 + back * a2))
    return total


def apply(sections: Real, samples: Real) -> Real:
    """Filter along the last axis from rest; no sections change nothing."""
    return np.asarray(sosfilt(sections, samples)) if len(sections) else samples


def _angle(frequency_hz: float, q: float, rate_hz: float) -> tuple[float, float]:
    omega = 2 * np.pi * frequency_hz / rate_hz
    return float(np.cos(omega)), float(np.sin(omega) / (2 * q))


def _section(b: tuple[float, float, float], a: tuple[float, float, float]) -> Real:
    return np.array([*b, *a]) / a[0]
