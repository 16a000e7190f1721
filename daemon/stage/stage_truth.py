"""What the virtual stage must do at one moment, from its own loop gain.

Owns the loop of several microphones and wedges as a matrix: T(f) = EQ(f) · sends · paths(f),
(mixes, mixes). Feedback is possible where an eigenvalue of T has a phase of 0 mod 360 degrees, and
takes off where it also passes 1: the generalised Nyquist criterion. Growth comes from the poles,
the roots of det(I - T(s)) = 0.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.stage.faders import OFF_DB
from prehowl.daemon.stage.stage import LoopState
from prehowl.daemon.stage.truth import DB_PER_NEPER, AnyComplex
from prehowl.detectors.peaking import sections_response

Complex = NDArray[np.complex128]
Real = NDArray[np.float64]

FOLLOWED = 10
"""Strongest candidates whose poles are computed."""
SEARCH_HZ = (30.0, 18000.0)
MOST_STEPS = 30
FARTHEST = 0.02
"""Radians or nepers per sample (some 150 Hz at 48 kHz) beyond which a search has lost its way."""
WEAKEST = 0.5
"""Eigenvalues below this (6 dB in hand) are not followed: their rings die at once."""


@dataclass(frozen=True, slots=True)
class StageMode:
    """One frequency at which the stage can ring."""

    frequency_hz: float
    growth_db_per_s: float
    loop_gain_db: float  # of the eigenvalue at this frequency; above 0 the stage runs away
    mix: int  # index of the mix that takes the greatest part in the ring
    mic: int  # index of the microphone likewise


def loop_gain_db(state: LoopState, rate_hz: float) -> tuple[Real, Real]:
    """Return frequency in Hz and the greatest eigenvalue's size in dB there, shape (bins,) each."""
    frequency, matrix = _on_grid(state, rate_hz)
    size = np.abs(np.linalg.eigvals(matrix)).max(axis=-1)
    return frequency, 20 * np.log10(np.maximum(size, 1e-9))


def stage_modes(state: LoopState, rate_hz: float) -> list[StageMode]:
    """Return the ring frequencies with less than some 6 dB in hand, fastest growth first."""
    found: list[tuple[complex, complex]] = []
    for start in _starts(state, rate_hz):
        pole = _pole(state, start)
        if pole is None or pole.imag <= 0:
            continue
        if all(abs(pole - other) > 1e-7 for other, _ in found):
            found.append((pole, start))
    modes = [_mode(state, pole, rate_hz) for pole, _ in found]
    return sorted(modes, key=lambda mode: -mode.growth_db_per_s)


def margin_db(state: LoopState, rate_hz: float) -> float:
    """Return how far all sends together may rise before the stage takes off, dB.

    Found by bisection on the poles' growth; below zero where it already runs away.
    """
    # No eigenvalue is above the limit before the greatest one is; some phase is right soon after.
    low = -float(loop_gain_db(state, rate_hz)[1].max())
    high = low + 15.0
    while high - low > 0.05:
        middle = (low + high) / 2
        modes = stage_modes(raised(state, middle), rate_hz)
        if modes and modes[0].growth_db_per_s > 0:
            high = middle
        else:
            low = middle
    return (low + high) / 2


def reach_db(state: LoopState, rate_hz: float, mix: int, channels: Sequence[int]) -> float:
    """Return how far some sends into one mix may rise before the stage takes off, dB.

    Parameters
    ----------
    state : LoopState
        Must be stable without these sends.
    rate_hz : float
    mix : int
        Index.
    channels : sequence of int
        Microphone indices whose sends into the mix rise together; the rest stays.

    Returns
    -------
    float
        Below zero where it already runs away; +inf if these sends cannot close a loop.

    Notes
    -----
    The sends in question are a rank-one part of the loop, T = T0 + u v', so that
    det(I - T) = det(I - T0) (1 - v' (I - T0)^-1 u): a single scalar loop, to which the plain
    Nyquist condition applies. Crossings are interpolated on the grid (error some 0.05 dB).
    """
    rest_db = state.send_db.copy()
    rest_db[mix, channels] = OFF_DB
    frequency, paths = _paths_on_grid(state, rate_hz)
    s = 2j * np.pi * frequency / rate_hz
    rest = _forward(LoopState(state.taps, state.sections, rest_db), s) @ paths
    sends = np.where(state.send_db[mix] > OFF_DB, 10 ** (state.send_db[mix] / 20), 0.0)
    row = np.einsum("m,fmw->fw", sends[channels], paths[:, channels])
    unit = np.zeros((len(frequency), len(state.sections), 1), complex)
    unit[:, mix, 0] = sections_response(state.sections[mix], s)
    solved = np.linalg.solve(np.eye(len(state.sections)) - rest, unit)[..., 0]
    loop = np.einsum("fw,fw->f", row, solved)
    at = np.flatnonzero((loop.imag[:-1] < 0) != (loop.imag[1:] < 0))
    share = loop.imag[at] / (loop.imag[at] - loop.imag[at + 1])
    strength = loop.real[at] + share * (loop.real[at + 1] - loop.real[at])
    strongest = float(strength.max(initial=0.0))
    return -20 * float(np.log10(strongest)) if strongest > 0 else float("inf")


def raised(state: LoopState, by_db: float) -> LoopState:
    """Return the state with every open send raised by some dB."""
    send_db = np.where(state.send_db > OFF_DB, state.send_db + by_db, state.send_db)
    return LoopState(state.taps, state.sections, send_db)


def _on_grid(state: LoopState, rate_hz: float) -> tuple[Real, Complex]:
    frequency, paths = _paths_on_grid(state, rate_hz)
    return frequency, _forward(state, 2j * np.pi * frequency / rate_hz) @ paths


def _paths_on_grid(state: LoopState, rate_hz: float) -> tuple[Real, Complex]:
    """Return frequencies in Hz and the paths there, (points, microphones, wedges)."""
    size = 2 ** int(np.ceil(np.log2(4 * state.taps.shape[-1])))
    frequency = np.arange(size // 2 + 1) * rate_hz / size
    wanted = (frequency >= SEARCH_HZ[0]) & (frequency <= min(SEARCH_HZ[1], 0.45 * rate_hz))
    paths = np.fft.rfft(state.taps, size)[..., wanted]
    return frequency[wanted], np.ascontiguousarray(np.moveaxis(paths, -1, 0))


def _forward(state: LoopState, s: AnyComplex) -> Complex:
    """Return EQ(s) · sends, shape (points, mixes, microphones)."""
    sends = np.where(state.send_db > OFF_DB, 10 ** (state.send_db / 20), 0.0)
    equaliser = np.array([sections_response(sections, s) for sections in state.sections])
    return equaliser.T[:, :, None] * sends


def _starts(state: LoopState, rate_hz: float) -> list[complex]:
    """Return starting points for the poles: strong eigenvalues within a bin of the right phase."""
    frequency, matrix = _on_grid(state, rate_hz)
    # An eigenvalue is never larger than the matrix' norm: most bins need no eigenvalues at all.
    strong = np.flatnonzero(np.linalg.norm(matrix, axis=(1, 2)) > WEAKEST)
    values = np.linalg.eigvals(matrix[strong])
    bins, which = np.nonzero((np.abs(values) > WEAKEST) & (np.abs(np.angle(values)) < 0.6))
    size = np.abs(values[bins, which])
    order = np.argsort(-size, kind="stable")
    step = frequency[1] - frequency[0]
    kept: list[complex] = []
    for index in order:
        hertz = frequency[strong[bins[index]]]
        start = 2j * np.pi * hertz / rate_hz
        if all(abs(start - other) > 2 * np.pi * 6 * step / rate_hz for other in kept):
            kept.append(start)
        if len(kept) == FOLLOWED:
            break
    return kept


def _matrix(state: LoopState, s: complex) -> tuple[Complex, Complex]:
    """Return T(s) and the paths' response (microphones, wedges) at one s per sample."""
    k = np.arange(state.taps.shape[-1])
    paths = state.taps @ np.exp(-s * k)
    return _forward(state, np.array([s]))[0] @ paths, paths


def _pole(state: LoopState, start: complex) -> complex | None:
    """Follow the secant method to a root of det(I - T(s)); None if it does not settle on one."""
    eye = np.eye(len(state.sections))

    def determinant(s: complex) -> complex:
        return complex(np.linalg.det(eye - _matrix(state, s)[0]))

    before, now = start, start - 1e-5 + 1e-5j
    value_before, value = determinant(before), determinant(now)
    for _ in range(MOST_STEPS):
        if abs(value) < 1e-10:
            return now
        if value == value_before or abs(now - start) > FARTHEST:
            return None
        move = value * (now - before) / (value - value_before)
        move = move if abs(move) < 0.001 else 0.001 * move / abs(move)
        before, value_before = now, value
        now -= move
        value = determinant(now)
    return None


def _mode(state: LoopState, pole: complex, rate_hz: float) -> StageMode:
    """Describe one pole: where the ring runs round, and how strong the loop is there."""
    loop, paths = _matrix(state, pole)
    values, right = np.linalg.eig(loop)
    here = int(np.argmin(np.abs(values - 1)))
    left = np.linalg.inv(right)[here]
    # A mix takes part by left · right eigenvector, a microphone by what runs through it.
    through_mix = np.abs(left * right[:, here])
    forward = _forward(state, np.array([pole]))[0]
    through_mic = np.abs((left @ forward) * (paths @ right[:, here]))
    steady = np.linalg.eigvals(_matrix(state, 1j * pole.imag)[0])
    size = float(np.abs(steady[np.argmin(np.abs(steady - 1))]))
    return StageMode(
        frequency_hz=float(pole.imag) * rate_hz / (2 * np.pi),
        growth_db_per_s=float(pole.real) * DB_PER_NEPER * rate_hz,
        loop_gain_db=20 * float(np.log10(size)),
        mix=int(np.argmax(through_mix)),
        mic=int(np.argmax(through_mic)),
    )
