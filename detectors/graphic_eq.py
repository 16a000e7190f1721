"""The 31-band graphic equaliser: what its faders do to every frequency.

Two kinds are in use. With constant Q a fader's width is the same whatever its cut. With
proportional Q a small move is broad and only a full throw is a third of an octave wide, so that
the faders beside it feel it more.
"""

from collections.abc import Sequence
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from prehowl.detectors.bands import exact_centres_hz
from prehowl.detectors.peaking import THIRD_OCTAVE_Q, peaking, q_of_width, response_db

Real = NDArray[np.float64]

BANDS = 31
FULL_THROW_DB = 12.0
"""Where a proportional-Q fader is a third of an octave wide. Common practice, no source."""
BROADEST_OCTAVES = 1.0
"""How wide a proportional-Q fader is at 3 dB and less. Source: D. A. Bohn, Constant-Q graphic
equalizers, J. Audio Eng. Soc. 1986, from memory: about an octave at small settings."""
HIGHEST_CENTRE = 0.45
"""Bands whose centre lies above this share of the sampling rate are left out: the digital filter
is bent too far there."""


class EqKind(StrEnum):
    """How the width of a fader's band depends on its cut."""

    CONSTANT_Q = "constant-q"
    PROPORTIONAL_Q = "proportional-q"


def fader_q(gain_db: float, kind: EqKind = EqKind.CONSTANT_Q) -> float:
    """Return the Q of one band at a fader position.

    Constant: `THIRD_OCTAVE_Q` always. Proportional: Q grows with the move, in proportion to it,
    from an octave wide at about 3 dB to a third of an octave at `FULL_THROW_DB`.

    Notes
    -----
    Source: the two kinds after Bohn 1986 (from memory); this law of the proportional kind is
    ours. Real devices differ: look at the desk's own drawing where it has one.
    """
    if kind == EqKind.CONSTANT_Q:
        return THIRD_OCTAVE_Q
    share = abs(gain_db) / FULL_THROW_DB
    return float(np.clip(THIRD_OCTAVE_Q * share, q_of_width(BROADEST_OCTAVES), THIRD_OCTAVE_Q))


def graphic_sections(
    band_gains_db: Sequence[float] | Real, rate_hz: float, kind: EqKind = EqKind.CONSTANT_Q
) -> Real:
    """Return the sections of a 31-band graphic equaliser, shape (bands moved, 6).

    Parameters
    ----------
    band_gains_db : sequence of 31 numbers
        Fader positions in dB from the 20 Hz band up; a cut is negative. Untouched bands make no
        section, so a flat equaliser is the identity and costs nothing.
    rate_hz : float
        Bands whose centre lies above 0.45 of it are left out.
    kind : EqKind
    """
    moved = [
        peaking(centre, float(gain), fader_q(float(gain), kind), rate_hz)
        for centre, gain in zip(exact_centres_hz(), band_gains_db, strict=True)
        if gain and centre < HIGHEST_CENTRE * rate_hz
    ]
    return np.array(moved).reshape(-1, 6)


def graphic_response_db(
    band_gains_db: Sequence[float] | Real,
    frequency_hz: ArrayLike,
    rate_hz: float,
    kind: EqKind = EqKind.CONSTANT_Q,
) -> Real:
    """Return what the whole setting does to each frequency, dB, shape of `frequency_hz`.

    Parameters
    ----------
    band_gains_db : sequence of 31 numbers
        Fader positions in dB; a cut is negative.
    frequency_hz : array_like
        0 up to half of `rate_hz`.
    rate_hz : float
    kind : EqKind

    Notes
    -----
    Source: the peaking filter of the W3C Audio EQ Cookbook (2021), one a fader, in series, at the
    exact centres of IEC 61260-1.
    """
    return response_db(graphic_sections(band_gains_db, rate_hz, kind), frequency_hz, rate_hz)
