"""The peaking filter that every equaliser here is made of, and the response of a chain of them.

Filters after the W3C Audio EQ Cookbook (Working Group Note, 8 June 2021). Sections are rows
(b0, b1, b2, 1, a1, a2) as `scipy.signal.sosfilt` takes them.
"""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Real = NDArray[np.float64]

THIRD_OCTAVE_Q = 4.318
"""1/Q = 2 sinh((ln 2 / 2) BW) with BW = 1/3 octave."""


def q_of_width(octaves: float) -> float:
    """Return Q for a width in octaves between the frequencies where half the decibels arrive.

    Source: the W3C note's 1/Q = 2 sinh((ln 2 / 2) BW), analogue form.

    Raises
    ------
    ValueError
        If the width is not above zero.
    """
    if not octaves > 0:
        raise ValueError(f"a width must be above 0 octaves, found {octaves!r}")
    return float(1 / (2 * np.sinh(np.log(2) / 2 * octaves)))


def width_of_q(q: float) -> float:
    """Return the width in octaves that belongs to a Q; the inverse of `q_of_width`.

    Raises
    ------
    ValueError
        If Q is not above zero.
    """
    if not q > 0:
        raise ValueError(f"Q must be above 0, found {q!r}")
    return float(2 / np.log(2) * np.arcsinh(1 / (2 * q)))


def peaking(frequency_hz: float, gain_db: float, q: float, rate_hz: float) -> Real:
    """Return one peaking section, shape (6,); gain in dB at its centre.

    Parameters
    ----------
    frequency_hz : float
        Centre, below half of `rate_hz`.
    gain_db : float
        At the centre; a cut is negative. A cut undoes a boost of the same size and Q exactly.
    q : float
        > 0; half the decibels arrive at the ends of the width that `width_of_q` gives.
    rate_hz : float
        Samples per second.

    Notes
    -----
    Source: W3C Audio EQ Cookbook, peakingEQ.
    """
    strength = 10 ** (gain_db / 40)
    omega = 2 * np.pi * frequency_hz / rate_hz
    cosine, alpha = float(np.cos(omega)), float(np.sin(omega) / (2 * q))
    b = (1 + alpha * strength, -2 * cosine, 1 - alpha * strength)
    a = (1 + alpha / strength, -2 * cosine, 1 - alpha / strength)
    return np.array([*b, *a]) / a[0]


def sections_response(
    sections: Real, s: NDArray[np.complexfloating[Any, Any]]
) -> NDArray[np.complex128]:
    """Return the cascade's gain at complex s per sample (z = e^s), shape of s."""
    back = np.exp(-s)
    total = np.ones(s.shape, complex)
    for b0, b1, b2, a0, a1, a2 in sections:
        total *= (b0 + back * (b1 + back * b2)) / (a0 + back * (a1 + back * a2))
    return total


def response_db(sections: Real, frequency_hz: ArrayLike, rate_hz: float) -> Real:
    """Return what a chain of sections does to each frequency, dB, shape of `frequency_hz`.

    Parameters
    ----------
    sections : ndarray, shape (sections, 6)
    frequency_hz : array_like
        0 up to half of `rate_hz`.
    rate_hz : float

    Raises
    ------
    ValueError
        If a frequency lies outside that range.
    """
    frequency = np.asarray(frequency_hz, np.float64)
    if not ((frequency >= 0) & (frequency <= rate_hz / 2)).all():
        raise ValueError(f"frequencies go from 0 to {rate_hz / 2:g} Hz at {rate_hz:g} Hz")
    gain = np.abs(sections_response(sections, 2j * np.pi * frequency / rate_hz))
    return np.asarray(20 * np.log10(np.maximum(gain, 1e-15)))
