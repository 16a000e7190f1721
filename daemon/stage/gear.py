"""Microphones and wedges as things with a place, a direction and a colour.

Owns what a type of microphone or wedge does to sound: pattern, response, resonances. All figures
are plausible for live-sound gear, invented, and drawn from a seed; none belongs to a product.
Where sound goes between them is in `air`.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.stage.filters import high_pass, low_pass
from prehowl.detectors.peaking import peaking

Real = NDArray[np.float64]

PATTERNS = {"cardioid": 0.5, "supercardioid": 0.37, "hypercardioid": 0.25, "omni": 1.0}
"""Share of pressure a in the first-order pattern a + (1 - a) cos(angle). Textbook values; the
supercardioid's (about 0.366) is rounded."""

BAND_TILT = (0.14, 0.0, -0.07)
"""How the share of pressure shifts in lows, mids and highs: real capsules open up in the lows and
narrow in the highs. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Microphone:
    """One microphone as it stands now. Directions are vectors of any length, places in metres."""

    place_m: tuple[float, float, float]
    facing: tuple[float, float, float]
    pattern: str = "cardioid"
    presence_hz: float = 4500.0
    presence_db: float = 4.0
    low_cut_hz: float = 90.0
    cup: float = 0.0  # 0 free .. 1 a hand closes the rear of the capsule
    cavity_hz: float = 1500.0  # where the air in the hand resonates
    cavity_db: float = 9.0

    def shares(self) -> Real:
        """Return the share of pressure in lows, mids and highs, 1 = omnidirectional."""
        free = np.clip(PATTERNS[self.pattern] + np.array(BAND_TILT), 0.0, 1.0)
        return np.asarray(free + self.cup * (1.0 - free))

    def colour(self, rate_hz: float) -> Real:
        """Return the sections of its frequency response."""
        return np.array(
            [
                high_pass(self.low_cut_hz, 0.7, rate_hz),
                peaking(self.presence_hz, self.presence_db, 1.0, rate_hz),
                peaking(self.cavity_hz, self.cup * self.cavity_db, 2.0, rate_hz),
                low_pass(min(15000.0, 0.42 * rate_hz), 0.7, rate_hz),
            ]
        )

    def cupped(self, cup: float) -> "Microphone":
        """Return the same microphone in a hand that closes it by 0..1."""
        return replace(self, cup=cup)


@dataclass(frozen=True, slots=True)
class Wedge:
    """One floor monitor."""

    place_m: tuple[float, float, float]
    facing: tuple[float, float, float]
    resonances: tuple[tuple[float, float, float], ...]  # (Hz, dB, Q)
    strength_db: float = -18.0  # channel level per amplifier input level, 1 m on axis
    lowest_hz: float = 75.0
    highest_hz: float = 16500.0

    def colour(self, rate_hz: float) -> Real:
        """Return the sections of its frequency response on axis."""
        bumps = [peaking(hertz, gain, q, rate_hz) for hertz, gain, q in self.resonances]
        ends = [
            high_pass(self.lowest_hz, 0.8, rate_hz),
            low_pass(min(self.highest_hz, 0.42 * rate_hz), 0.7, rate_hz),
        ]
        return np.array(bumps + ends)


def some_resonances(rng: np.random.Generator) -> tuple[tuple[float, float, float], ...]:
    """Draw a wedge's response peaks: 5 to 7 between 150 Hz and 9 kHz, +3 to +8 dB, Q 2 to 8."""
    count = int(rng.integers(5, 8))
    octaves = (np.arange(count) + rng.uniform(0.15, 0.85, count)) / count * np.log2(9000 / 150)
    return tuple(
        (float(150 * 2**octave), float(rng.uniform(3, 8)), float(rng.uniform(2, 8)))
        for octave in octaves
    )
