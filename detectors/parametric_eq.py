"""One to six parametric notches, for desks without a graphic equaliser to spare."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from prehowl.detectors.peaking import peaking, response_db

Real = NDArray[np.float64]

MOST_NOTCHES = 6


@dataclass(frozen=True, slots=True)
class Notch:
    """One parametric filter that cuts."""

    frequency_hz: float
    q: float
    depth_db: float
    """How far it cuts at its centre, dB, >= 0."""

    def __post_init__(self) -> None:
        if not 0 < self.frequency_hz < np.inf:
            raise ValueError(f"a notch's frequency must be above 0 Hz, found {self.frequency_hz!r}")
        if not 0 < self.q < np.inf:
            raise ValueError(f"a notch's Q must be above 0, found {self.q!r}")
        if not 0 <= self.depth_db < np.inf:
            raise ValueError(f"a notch's depth must be 0 dB or more, found {self.depth_db!r}")


def notch_sections(notches: Sequence[Notch], rate_hz: float) -> Real:
    """Return the sections of some notches, shape (notches that cut, 6).

    Source: the peaking filter of the W3C Audio EQ Cookbook (2021), one a notch.

    Raises
    ------
    ValueError
        If a notch lies at or above half of `rate_hz`.
    """
    for notch in notches:
        if notch.frequency_hz >= rate_hz / 2:
            raise ValueError(f"a notch at {notch.frequency_hz:g} Hz needs more than {rate_hz:g} Hz")
    moved = [peaking(n.frequency_hz, -n.depth_db, n.q, rate_hz) for n in notches if n.depth_db]
    return np.array(moved).reshape(-1, 6)


def notch_response_db(notches: Sequence[Notch], frequency_hz: ArrayLike, rate_hz: float) -> Real:
    """Return what some notches in series do to each frequency, dB, shape of `frequency_hz`."""
    return response_db(notch_sections(notches, rate_hz), frequency_hz, rate_hz)
