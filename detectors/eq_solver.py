"""Find the gentlest setting of an equaliser that gives wanted cuts at given frequencies.

For graphic equalisers as fader positions, for desks without one as a few parametric notches.
Never boosts. How the least total cut is found: `eq_cover`. Cost: some ten milliseconds.
"""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.bands import band_index, exact_centres_hz
from prehowl.detectors.eq_cover import CLOSE_ENOUGH_DB, cover
from prehowl.detectors.graphic_eq import BANDS, HIGHEST_CENTRE, EqKind, graphic_response_db
from prehowl.detectors.parametric_eq import MOST_NOTCHES, Notch, notch_response_db
from prehowl.detectors.peaking import q_of_width

Real = NDArray[np.float64]

REACH = 2
"""Faders this far from a wanted frequency's own are considered."""
NOTCH_OCTAVES = 1 / 6
"""Width of a notch for one frequency: wide enough for the drift of a warming stage (0.17 % per
kelvin) and of a moved microphone, half of what a graphic fader takes. Common practice, no
source."""


@dataclass(frozen=True, slots=True)
class Setting:
    """Fader positions, and what they reach at the frequencies that were asked for."""

    gains_db: tuple[float, ...]
    """31 fader positions from the 20 Hz band up, 0 or below."""
    achieved_db: tuple[float, ...]
    """Attenuation at each wanted frequency, dB, >= 0."""
    missing_db: tuple[float, ...]
    """How much less than wanted that is, dB; 0 where it is reached."""

    @property
    def total_cut_db(self) -> float:
        """Return the sum of all cuts, dB."""
        return -sum(self.gains_db)


@dataclass(frozen=True, slots=True)
class NotchSetting:
    """Notches, and what they reach at the frequencies that were asked for."""

    notches: tuple[Notch, ...]
    achieved_db: tuple[float, ...]
    missing_db: tuple[float, ...]


def solve_faders(
    frequency_hz: Sequence[float],
    wanted_db: Sequence[float],
    rate_hz: float,
    *,
    step_db: float = 0.5,
    cap_db: float = 12.0,
    kind: EqKind = EqKind.CONSTANT_Q,
    kept_db: Sequence[float] | None = None,
) -> Setting:
    """Return the fader positions that take the wanted decibels with the least total cut.

    Parameters
    ----------
    frequency_hz : sequence of float
        Where attenuation is wanted, above 0 and below half of `rate_hz`.
    wanted_db : sequence of float
        How much at each, dB, >= 0: the whole of it, with what `kept_db` takes already.
    rate_hz : float
    step_db, cap_db : float
        Steps of the faders, and how far down one may go, dB, > 0. The cap is rounded down to a
        step.
    kind : EqKind
    kept_db : sequence of 31 numbers, optional
        Faders that are down already (0 or below) and shall not come up again. They may be beyond
        the cap, then they stay where they are.

    Returns
    -------
    Setting
        All gains 0 or below, whole steps. Where the cap forbids the wanted attenuation, the
        missing part is told; neighbours make up for it as far as `WORTH_DB` goes.

    Raises
    ------
    ValueError
        If a number is out of its range, or the sequences differ in length.

    Notes
    -----
    Source: common practice (pull as little as possible, both faders for a ring between two), no
    source; the linear programme over steps and its search are ours.
    """
    frequency, wanted = _checked(frequency_hz, wanted_db, rate_hz)
    kept = _checked_kept(kept_db)
    if not (step_db > 0 and cap_db >= step_db):
        raise ValueError(f"step {step_db!r} dB and cap {cap_db!r} dB: 0 < step <= cap is needed")
    if not frequency.size:
        return Setting(tuple(map(float, kept)), (), ())
    bands = _bands_in_reach(frequency, rate_hz)
    grid = step_db * np.arange(int(cap_db / step_db + 1e-9) + 1)
    levels = [
        np.unique(np.concatenate(([-kept[band]], grid[grid > -kept[band]]))) for band in bands
    ]
    tables = []
    for band, cuts in zip(bands, levels, strict=True):
        alone = [graphic_response_db(_one(band, -cut), frequency, rate_hz, kind) for cut in cuts]
        tables.append(-np.array(alone))
    others = kept.copy()
    others[bands] = 0.0
    fixed = -graphic_response_db(others, frequency, rate_hz, kind)
    chosen = cover(levels, tables, wanted - fixed)
    gains = kept.copy()
    gains[bands] = [-cuts[n] for cuts, n in zip(levels, chosen, strict=True)]
    gains += 0.0  # no -0.0
    achieved = -graphic_response_db(gains, frequency, rate_hz, kind)
    return Setting(tuple(map(float, gains)), *_told(achieved, wanted))


def solve_notches(
    frequency_hz: Sequence[float],
    wanted_db: Sequence[float],
    rate_hz: float,
    *,
    most: int = MOST_NOTCHES,
    step_db: float = 0.5,
    cap_db: float = 12.0,
    octaves: float = NOTCH_OCTAVES,
) -> NotchSetting:
    """Return at most `most` parametric notches that take the wanted decibels.

    Frequencies within one notch's width share it; while there are too many notches, the two that
    lie closest are joined into a wider one. Depths are then the gentlest that reach all.

    Parameters
    ----------
    frequency_hz, wanted_db, rate_hz
        As for `solve_faders`.
    most : int
        1 to 6.
    step_db, cap_db : float
        Steps and limit of a notch's depth, dB.
    octaves : float
        Width of a notch for one frequency, > 0.

    Raises
    ------
    ValueError
        If a number is out of its range, or the sequences differ in length.

    Notes
    -----
    Source: common practice, no source; joining the closest is ours.
    """
    frequency, wanted = _checked(frequency_hz, wanted_db, rate_hz)
    if not 1 <= most <= MOST_NOTCHES:
        raise ValueError(f"most={most!r}: 1 to {MOST_NOTCHES} notches")
    if not (step_db > 0 and cap_db >= step_db and octaves > 0):
        raise ValueError("step, cap and width must be above 0, and the cap at least a step")
    if not frequency.size:
        return NotchSetting((), (), ())
    spans = _spans(frequency[wanted > 0], most, octaves)
    shapes = [_centre_and_q(low, high, octaves) for low, high in spans]
    grid = _grid_db(step_db, cap_db)
    tables = [
        -np.array([notch_response_db([Notch(hz, q, cut)], frequency, rate_hz) for cut in grid])
        for hz, q in shapes
    ]
    chosen = cover([grid] * len(shapes), tables, wanted)
    notches = tuple(
        Notch(hz, q, float(grid[n])) for (hz, q), n in zip(shapes, chosen, strict=True) if n
    )
    achieved = -notch_response_db(notches, frequency, rate_hz)
    return NotchSetting(notches, *_told(achieved, wanted))


def _bands_in_reach(frequency: Real, rate_hz: float) -> list[int]:
    own = band_index(frequency)
    usable = exact_centres_hz() < HIGHEST_CENTRE * rate_hz
    near = np.abs(np.arange(BANDS)[:, None] - own).min(axis=1) <= REACH
    return [int(band) for band in np.flatnonzero(usable & near)]


def _grid_db(step_db: float, cap_db: float) -> Real:
    """Return the cuts that a fader can be set to: 0.3, not 0.30000000000000004."""
    return np.round(step_db * np.arange(int(cap_db / step_db + 1e-9) + 1), 9)


def _one(band: int, gain_db: float) -> Real:
    gains = np.zeros(BANDS)
    gains[band] = gain_db
    return gains


def _told(achieved: Real, wanted: Real) -> tuple[tuple[float, ...], tuple[float, ...]]:
    missing = wanted - achieved
    missing[missing < CLOSE_ENOUGH_DB] = 0.0
    return tuple(map(float, achieved + 0.0)), tuple(map(float, missing))


def _spans(frequency: Real, most: int, octaves: float) -> list[tuple[float, float]]:
    """Return the lowest and highest frequency of each notch, lowest first."""
    spans = [(hz, hz) for hz in np.unique(frequency).tolist()]
    while len(spans) > 1:
        gaps = [np.log2(after[1] / before[0]) for before, after in itertools.pairwise(spans)]
        at = int(np.argmin(gaps))
        if len(spans) <= most and gaps[at] > octaves:
            break
        spans[at : at + 2] = [(spans[at][0], spans[at + 1][1])]
    return spans


def _centre_and_q(low: float, high: float, octaves: float) -> tuple[float, float]:
    """Return the middle of a span in pitch, and the Q that reaches its ends."""
    return float(np.sqrt(low * high)), q_of_width(octaves + float(np.log2(high / low)))


def _checked(
    frequency_hz: Sequence[float], wanted_db: Sequence[float], rate_hz: float
) -> tuple[Real, Real]:
    frequency, wanted = np.asarray(frequency_hz, float), np.asarray(wanted_db, float)
    if frequency.ndim != 1 or frequency.shape != wanted.shape:
        raise ValueError(f"{frequency.size} frequencies but {wanted.size} wanted attenuations")
    if not ((frequency > 0) & (frequency < rate_hz / 2)).all():
        raise ValueError(f"frequencies must lie between 0 and {rate_hz / 2:g} Hz")
    if not ((wanted >= 0) & (wanted < np.inf)).all():
        raise ValueError("a wanted attenuation must be 0 dB or more")
    return frequency, wanted


def _checked_kept(kept_db: Sequence[float] | None) -> Real:
    kept = np.zeros(BANDS) if kept_db is None else np.array(kept_db, float)
    if kept.shape != (BANDS,) or not (kept <= 0).all() or not np.isfinite(kept).all():
        raise ValueError(f"kept_db needs {BANDS} fader positions of 0 dB or below")
    return kept
