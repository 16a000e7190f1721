"""Feedback paths whose ring is where it is wanted: one resonance, echoes, a modelled room.

Owns how the paths of the bench's loops are made. Where they ring, and at which gain, is never
taken from the making but computed from the finished path by `stage.truth`.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.signal import fftconvolve, lfilter

from prehowl.daemon.stage import truth
from prehowl.detectors.peaking import peaking

Real = NDArray[np.float64]

SHAPES = ("resonance", "echoes", "room")
LARGEST_EXCESS_DB = 8.0
FOLLOWED = 6
"""Strongest candidates whose poles are followed."""
CUT_Q = 4.32
"""Q of a peaking filter of one third of an octave."""


@dataclass(frozen=True, slots=True)
class Path:
    """A path scaled so that its loop takes off at 0 dB of gain."""

    taps: Real  # (taps,)
    candidate_hz: Real  # (n,), where the phase is 0 mod 360 degrees, strongest first
    candidate_db: Real  # (n,), the path's gain there; the first is 0

    def modes(self, gain_db: float, rate_hz: int) -> list[truth.Mode]:
        """Return the strongest ring frequencies at a gain, fastest growth first.

        The same poles as `truth.modes`, all followed at once and only the strongest few.
        """
        hz, over = self.candidate_hz[:FOLLOWED], self.candidate_db[:FOLLOWED] + gain_db
        start = 2j * np.pi * hz / rate_hz
        value, slope = _transform(self.taps, start)
        delay = np.maximum(1.0, np.real(-slope / value))
        pole = start + over * np.log(10) / 20 / delay
        for _ in range(20):
            value, slope = _transform(self.taps, pole)
            move = (value - 10 ** (-gain_db / 20)) / slope
            pole = pole - move / np.maximum(1.0, np.abs(move) / 0.002)
            settled = np.abs(move) < 1e-10
            if settled.all():
                break
        found = [
            truth.Mode(
                float(abs(pole[k].imag) * rate_hz / (2 * np.pi)),
                float(pole[k].real * truth.DB_PER_NEPER * rate_hz),
                float(over[k]),
                float(delay[k] / rate_hz),
            )
            for k in np.flatnonzero(settled)
        ]
        return sorted(found, key=lambda mode: -mode.growth_db_per_s)


def _transform(
    taps: Real, s: NDArray[np.complexfloating[Any, Any]]
) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    """Return H(s) = sum of h[k] e^(-s k) and its derivative."""
    first = int(np.flatnonzero(taps)[0])
    k = np.arange(first, len(taps))
    kernel = np.exp(-np.outer(s, k))
    return kernel @ taps[first:], kernel @ (-k * taps[first:])


def resonance(ring_hz: float, delay_s: float, periods: float, rate_hz: int) -> Real:
    """Return a delayed burst of a cosine that is in phase with itself one loop later at `ring_hz`.

    Parameters
    ----------
    ring_hz : float
    delay_s : float
        Before the first tap that is not zero.
    periods : float
        Length of the burst in periods of the ring: more make the resonance narrower.
    rate_hz : int

    Returns
    -------
    ndarray of float64, shape (taps,)
        H(ring_hz) is real and positive (up to the small image at negative frequency), so the
        phase is 0 mod 360 degrees there; the group delay is the delay plus half the burst.
    """
    first = max(64, round(delay_s * rate_hz))
    length = max(16, round(periods * rate_hz / ring_hz))
    n = np.arange(first, first + length)
    window = np.hanning(length + 2)[1:-1]
    burst = window * np.cos(2 * np.pi * ring_hz * n / rate_hz)
    return np.concatenate((np.zeros(first), burst / window.sum()))


def _echoes(rng: np.random.Generator, rate_hz: int) -> Real:
    taps = np.zeros(int(0.03 * rate_hz))
    taps[0] = 1.0
    for _ in range(rng.integers(2, 9)):
        at = int(rng.uniform(0.001, 0.03) * rate_hz) - 1
        taps[at] += rng.choice([-1, 1]) * 10 ** (rng.uniform(-24, -6) / 20)
    return taps


def room_response(rng: np.random.Generator, rate_hz: int) -> Real:
    """Model a shoe-box stage by image sources: wedge and microphone 1.2 to 2.5 m apart."""
    import pyroomacoustics as room_acoustics  # of the bench extra; slow to import

    size = rng.uniform([6, 5, 3], [14, 10, 6])
    absorption, order = room_acoustics.inverse_sabine(rng.uniform(0.4, 0.9), size)
    box = room_acoustics.ShoeBox(
        size, fs=rate_hz, materials=room_acoustics.Material(absorption), max_order=min(order, 5)
    )
    wedge = np.array([*(size[:2] * rng.uniform(0.3, 0.6, 2)), 0.4])
    angle = rng.uniform(0, 2 * np.pi)
    reach = rng.uniform(0.7, 1.8)
    mic = np.add(wedge, (reach * np.cos(angle), reach * np.sin(angle), 1.2))
    box.add_source(wedge)
    box.add_microphone(np.clip(mic, 0.3, size - 0.3))
    box.compute_rir()
    response = np.asarray(box.rir[0][0], np.float64)[: int(0.1 * rate_hz)]
    return response / float(np.abs(response).max())


def has_rooms() -> bool:
    """Tell whether the room model is installed (bench extra)."""
    from importlib.util import find_spec

    return find_spec("pyroomacoustics") is not None


def draw(
    rng: np.random.Generator, shape: str, ring_hz: float, longest_s: float, rate_hz: int
) -> Path:
    """Draw a path of one shape that rings at or near a frequency, scaled to its limit.

    Parameters
    ----------
    rng : numpy Generator
    shape : {"resonance", "echoes", "room"}
    ring_hz : float
        Wanted; the echoes of the two other shapes move it by up to half a mode's spacing.
    longest_s : float
        The resonance lasts between 4 ms and this, and never less than three periods.
    rate_hz : int
    """
    periods = max(3.0, ring_hz * rng.uniform(0.004, longest_s))
    burst = resonance(ring_hz, rng.uniform(0.003, 0.008), periods, rate_hz)
    if shape == "echoes":
        burst = fftconvolve(burst, _echoes(rng, rate_hz))
    if shape == "room":
        burst = fftconvolve(burst, room_response(rng, rate_hz))
    # Convolution by transforms leaves dust where the delay's exact zeros were.
    burst[:64] = 0.0
    return scaled(np.where(np.abs(burst) < 1e-9 * np.abs(burst).max(), 0.0, burst), rate_hz)


def scaled(taps: Real, rate_hz: int) -> Path:
    """Scale taps so that the loop takes off at 0 dB."""
    hz, path_db = truth.phase_true(taps, rate_hz)
    unit = taps * 10 ** (-path_db[0] / 20)
    return Path(unit, hz, path_db - path_db[0])


def excess_for_growth(path: Path, growth_db_per_s: float, rate_hz: int) -> float:
    """Return the gain in dB over the limit at which the fastest pole grows as asked.

    Starts from growth = excess / group delay and corrects it by secant steps on the pole; never
    above `LARGEST_EXCESS_DB`.
    """
    excess = min(LARGEST_EXCESS_DB, growth_db_per_s * path.modes(0.0, rate_hz)[0].delay_s)
    for _ in range(3):
        found = path.modes(excess, rate_hz)[0].growth_db_per_s
        if found <= 0 or abs(found / growth_db_per_s - 1) < 1e-3:
            break
        excess = min(LARGEST_EXCESS_DB, excess * growth_db_per_s / found)
    return excess


def peaking_filter(centre_hz: float, cut_db: float, rate_hz: int) -> tuple[Real, Real]:
    """Return numerator and denominator, each (3,), of a second-order peaking filter that cuts.

    Its Q is `CUT_Q`.
    """
    section = peaking(centre_hz, -cut_db, CUT_Q, rate_hz)
    return section[:3], section[3:]


def peaking_cut(taps: Real, centre_hz: float, cut_db: float, rate_hz: int) -> Real:
    """Return the path with a band pulled down by `peaking_filter`."""
    tail = np.zeros(int(min(0.05, 8 * CUT_Q / centre_hz) * rate_hz))
    b, a = peaking_filter(centre_hz, cut_db, rate_hz)
    return np.asarray(lfilter(b, a, np.concatenate((taps, tail))))


def padded(paths: list[Real]) -> Real:
    """Stack paths of different lengths, zeros behind the shorter ones; shape (paths, taps)."""
    out = np.zeros((len(paths), max(len(path) for path in paths)))
    for row, path in zip(out, paths, strict=True):
        row[: len(path)] = path
    return out
