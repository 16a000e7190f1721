"""What a single closed loop must do, from its path alone: limit, ring frequencies, growth.

Owns the physics against which detection is judged. No simulation here: the stability limit comes
from the Nyquist condition at the frequencies where the loop's phase is a multiple of 360 degrees,
growth from the closed loop's own poles, both refined by Newton iterations on the path's exact
transform, so no frequency grid shows in the result.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Complex = NDArray[np.complex128]
AnyComplex = NDArray[np.complexfloating[Any, Any]]
Real = NDArray[np.float64]

DB_PER_NEPER = 20 / np.log(10)
GRID_DENSITY = 8
"""Points per bin of the path's own length in the search grid; crossings are then refined."""
SEARCHED = 24
"""Candidates, strongest first, whose poles are followed to find the dominant one."""


@dataclass(frozen=True, slots=True)
class Mode:
    """One frequency at which a loop can ring."""

    frequency_hz: float
    growth_db_per_s: float  # of the closed loop's pole; below zero the ring decays
    loop_gain_db: float  # 20 log10 |L| where the phase is a multiple of 360 degrees
    delay_s: float  # group delay of the loop there


def loop_response(path: ArrayLike, frequency_hz: ArrayLike, rate_hz: float) -> Complex:
    """Return the path's complex gain at any frequencies; with a gain in front it is L(f).

    Parameters
    ----------
    path : array, shape (taps,)
    frequency_hz : array, shape (n,)
    rate_hz : float

    Returns
    -------
    ndarray of complex128, shape (n,)
    """
    omega = 2 * np.pi * np.atleast_1d(np.asarray(frequency_hz, np.float64)) / rate_hz
    return _transform(np.asarray(path, np.float64), 1j * omega)[0]


def group_delay_s(path: ArrayLike, frequency_hz: ArrayLike, rate_hz: float) -> Real:
    """Return the path's group delay in seconds, -d(phase)/d(omega), shape (n,)."""
    omega = 2 * np.pi * np.atleast_1d(np.asarray(frequency_hz, np.float64)) / rate_hz
    value, slope = _transform(np.asarray(path, np.float64), 1j * omega)
    return np.real(-slope / value) / rate_hz


def phase_true(path: ArrayLike, rate_hz: float) -> tuple[Real, Real]:
    """Find where the path's phase is a multiple of 360 degrees.

    Parameters
    ----------
    path : array, shape (taps,)
    rate_hz : float

    Returns
    -------
    frequency_hz : ndarray, shape (n,)
        Strongest first, at most `SEARCHED`; 0 Hz and half the rate among them if they qualify.
    gain_db : ndarray, shape (n,)
        20 log10 of the path's gain there.

    Notes
    -----
    Source: Nyquist criterion for feedback, as in van Waterschoot & Moonen, Proc. IEEE 99(2), 2011
    (read in full): ringing is possible where |L| >= 1 and the phase is 2 pi n.
    """
    taps = np.asarray(path, np.float64)
    omega = _crossings(taps)
    gain = np.real(_transform(taps, 1j * omega)[0])
    omega, gain = omega[gain > 0], gain[gain > 0]
    order = np.argsort(-gain, kind="stable")[:SEARCHED]
    return omega[order] * rate_hz / (2 * np.pi), 20 * np.log10(gain[order])


def stability_limit_db(path: ArrayLike, rate_hz: float = 1.0) -> float:
    """Return the gain in dB above which the loop over this path takes off.

    Rising from zero, a gain first puts a pole on the unit circle where gain * path(f) = 1, that
    is at the strongest phase-true frequency; +inf if there is none.
    """
    gain_db = phase_true(path, rate_hz)[1]
    return float(-gain_db[0]) if gain_db.size else float("inf")


def stability_limits_db(paths: ArrayLike) -> Real:
    """Return `stability_limit_db` of each row, shape (loops,)."""
    return np.array([stability_limit_db(path) for path in np.atleast_2d(np.asarray(paths))])


def modes(path: ArrayLike, gain_db: float, rate_hz: float) -> list[Mode]:
    """Return the loop's ring frequencies at a gain, fastest growth first.

    Parameters
    ----------
    path : array, shape (taps,)
    gain_db : float
        Absolute, as in `closed_loop.simulate_loops`.
    rate_hz : float

    Notes
    -----
    A pole s (per sample) solves 1 - g * sum of path[k] e^(-s k) = 0. Newton's method starts from
    the phase-true frequency with the growth ln(g|H|) / group delay, which is the exact answer for
    a pure delay and a first-order one otherwise. Ours; checked against numpy.roots.
    """
    taps = np.asarray(path, np.float64)
    frequency_hz, path_db = phase_true(taps, rate_hz)
    gain = 10 ** (gain_db / 20)
    found = []
    for hertz, decibel in zip(frequency_hz, path_db + gain_db, strict=True):
        start = 2j * np.pi * hertz / rate_hz
        value, slope = _transform(taps, np.array([start]))
        delay = float(np.real(-slope / value)[0])
        pole = _pole(taps, gain, start + decibel / DB_PER_NEPER / max(delay, 1.0))
        if pole is not None:
            growth = float(pole.real * DB_PER_NEPER * rate_hz)
            frequency = abs(pole.imag) * rate_hz / (2 * np.pi)
            found.append(Mode(frequency, growth, float(decibel), delay / rate_hz))
    return sorted(found, key=lambda mode: -mode.growth_db_per_s)


def dominant_mode(path: ArrayLike, gain_db: float, rate_hz: float) -> Mode:
    """Return the mode that grows fastest or decays slowest.

    Raises
    ------
    ValueError
        If the path has no phase-true frequency at all and so cannot ring.
    """
    found = modes(path, gain_db, rate_hz)
    if not found:
        raise ValueError("the path has no frequency with a phase of 0 mod 360 degrees")
    return found[0]


def _transform(taps: Real, s: AnyComplex) -> tuple[Complex, Complex]:
    """Return H(s) = sum of h[k] e^(-s k) and its derivative by s, each shape (n,)."""
    first = int(np.flatnonzero(taps)[0]) if np.any(taps) else 0
    k = np.arange(first, taps.size)
    kernel = np.exp(-np.outer(s, k))
    return kernel @ taps[first:], kernel @ (-k * taps[first:])


def _crossings(taps: Real) -> Real:
    """Return all omega in 0..pi where the imaginary part vanishes and the real part is positive.

    The strongest are refined by Newton's method on the phase; the rest keep the interpolation.
    """
    size = GRID_DENSITY * 2 ** int(np.ceil(np.log2(max(taps.size, 64))))
    spectrum = np.fft.rfft(taps, size)
    step = 2 * np.pi / size
    imag, real = spectrum.imag, spectrum.real
    at = np.flatnonzero((imag[:-1] < 0) != (imag[1:] < 0))
    share = imag[at] / (imag[at] - imag[at + 1])
    strength = real[at] + share * (real[at + 1] - real[at])
    at, share, strength = at[strength > 0], share[strength > 0], strength[strength > 0]
    order = np.argsort(-strength, kind="stable")[: 2 * SEARCHED]
    omega = _on_phase(taps, step * (at[order] + share[order]), step)
    return np.concatenate((omega, [0.0, np.pi]))


def _on_phase(taps: Real, omega: Real, step: float) -> Real:
    """Move each omega to where the phase is a multiple of 2 pi, by at most one grid step."""
    refined = omega.copy()
    for _ in range(4):
        value, slope = _transform(taps, 1j * refined)
        delay = np.real(-slope / value)
        moved = refined + np.angle(value) / np.where(np.abs(delay) < 1e-9, np.inf, delay)
        refined = np.clip(moved, omega - step, omega + step)
    return np.clip(refined, 0.0, np.pi)


def _pole(taps: Real, gain: float, start: complex) -> complex | None:
    """Follow Newton's method to a root of 1 - g H(s); None if it does not settle."""
    s = complex(start)
    for _ in range(30):
        value, slope = _transform(taps, np.array([s]))
        move = complex((1 - gain * value[0]) / (-gain * slope[0]))
        size = abs(move)
        s -= move if size < 0.01 else 0.01 * move / size
        if size < 1e-13:
            return s
    return None
