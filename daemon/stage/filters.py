"""Second-order sections of what colours sound on a stage, from their published specification.

Pass filters after the W3C Audio EQ Cookbook (Working Group Note, 8 June 2021); the peaking filter
and the graphic equaliser are in `detectors`. Sections are rows (b0, b1, b2, 1, a1, a2) as
`scipy.signal.sosfilt` takes them.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.signal import sosfilt

Real = NDArray[np.float64]


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


def apply(sections: Real, samples: Real) -> Real:
    """Filter along the last axis from rest; no sections change nothing."""
    return np.asarray(sosfilt(sections, samples)) if len(sections) else samples


def _angle(frequency_hz: float, q: float, rate_hz: float) -> tuple[float, float]:
    omega = 2 * np.pi * frequency_hz / rate_hz
    return float(np.cos(omega)), float(np.sin(omega) / (2 * q))


def _section(b: tuple[float, float, float], a: tuple[float, float, float]) -> Real:
    return np.array([*b, *a]) / a[0]
