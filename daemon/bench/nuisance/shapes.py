"""Building blocks of made sound: partials, envelopes, swells, wander, pink noise, strings of notes.

All figures are common practice, no source, except where a function names one.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

Samples = NDArray[np.float32]
Track = NDArray[np.float64]
Maker = Callable[[np.random.Generator, float, int], Samples]


def harmonics(f0_hz: Track, weights: Track, rate_hz: int) -> Track:
    """Sum sines at whole multiples of a moving fundamental; those above 0.45 rate are left out.

    Parameters
    ----------
    f0_hz : ndarray of float64, shape (samples,)
    weights : ndarray of float64, shape (harmonics,)
        Linear amplitude of each multiple from 1.
    """
    phase = 2 * np.pi * np.cumsum(f0_hz) / rate_hz
    out = np.zeros_like(phase)
    for number, weight in enumerate(weights, start=1):
        if number * float(f0_hz.max()) < 0.45 * rate_hz:
            out += weight * np.sin(number * phase)
    return out


def envelope(n: int, rate_hz: int, attack_s: float, release_s: float) -> Track:
    """Rise and fall as raised cosines; the parts shrink where the note is too short."""
    rise = min(n // 2, max(1, int(attack_s * rate_hz)))
    fall = min(n // 2, max(1, int(release_s * rate_hz)))
    out = np.ones(n)
    out[:rise] = 0.5 - 0.5 * np.cos(np.pi * np.arange(rise) / rise)
    out[n - fall :] = 0.5 + 0.5 * np.cos(np.pi * np.arange(fall) / fall)
    return out


def straight_swell(n: int, rate_hz: int, db_per_s: float, range_db: float) -> Track:
    """Rise straight in decibels from `range_db` below full to full, then hold."""
    seconds = np.arange(n) / rate_hz
    return np.asarray(10 ** (np.minimum(0.0, db_per_s * seconds - range_db) / 20))


def wander(n: int, rate_hz: int, cents: float, rng: np.random.Generator) -> Track:
    """Slow random detuning as a frequency factor with the given standard deviation."""
    knots = np.cumsum(rng.normal(size=max(4, int(n / rate_hz * 8))))
    knots = (knots - knots.mean()) / max(1e-9, float(knots.std()))
    path = np.interp(np.linspace(0, len(knots) - 1, n), np.arange(len(knots)), knots)
    return np.asarray(2 ** (cents * path / 1200))


def pink(rng: np.random.Generator, n: int) -> Track:
    """Make pink noise of unit RMS by a third-order filter (coefficients from memory)."""
    b = [0.049922035, -0.095993537, 0.050612699, -0.004408786]
    a = [1.0, -2.494956002, 2.017265875, -0.522189400]
    noise = lfilter(b, a, rng.normal(size=n))
    return np.asarray(noise / max(1e-12, float(noise.std())))


def notes(
    rng: np.random.Generator,
    seconds: float,
    rate_hz: int,
    note: Callable[[np.random.Generator, int, int], Track],
    span_s: tuple[float, float],
    gap_s: tuple[float, float],
) -> Samples:
    """Put notes of random length and gaps together until the time is full."""
    out = np.zeros(int(seconds * rate_hz))
    at = int(rng.uniform(*gap_s) * rate_hz)
    while at < len(out):
        n = min(len(out) - at, int(rng.uniform(*span_s) * rate_hz))
        if n < 64:
            break
        out[at : at + n] += note(rng, n, rate_hz) * 10 ** (rng.uniform(-10, 0) / 20)
        at += n + int(rng.uniform(*gap_s) * rate_hz)
    return out.astype(np.float32)


def pitch(rng: np.random.Generator, low_hz: float, high_hz: float) -> float:
    """Draw a note of the equal-tempered scale (A = 440 Hz) between two frequencies."""
    steps = np.round(12 * np.log2(rng.uniform(low_hz, high_hz) / 440))
    return float(440 * 2 ** (steps / 12))
