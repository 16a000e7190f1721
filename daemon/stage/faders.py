"""Gains that people move: send levels and graphic-equaliser bands, without clicks."""

import numpy as np
from numpy.typing import NDArray
from scipy.signal import sosfilt

from prehowl.detectors.graphic_eq import graphic_sections

Real = NDArray[np.float64]

OFF_DB = -90.0
"""A send at or below this is shut."""
WARM_UP_S = 0.15
"""Past input that a new filter hears before it is faded in, so that it does not start from rest."""
FADE_S = 0.04


class Faders:
    """A matrix of gains in dB, each running to its target along a straight line in dB.

    One that opens from shut rises along a straight line in amplitude: straight in dB from nothing
    it would carry all that it lets through up at one rate, which is what a howl does.
    """

    def __init__(self, start_db: Real, rate_hz: float) -> None:
        self._now_db = np.array(start_db, float)
        self._target_db = self._now_db.copy()
        self._step_db = np.zeros_like(self._now_db)  # per sample
        self._opening = np.zeros_like(self._now_db)  # amplitude per sample, 0 if not opening
        self._rate_hz = rate_hz

    @property
    def now_db(self) -> Real:
        """Gains at this moment."""
        return self._now_db.copy()

    @property
    def is_open(self) -> NDArray[np.bool_]:
        """Tell which gains are not shut or on their way up."""
        return (self._now_db > OFF_DB) | (self._target_db > OFF_DB)

    def move(self, at: tuple[int, ...], target_db: float, over_s: float) -> None:
        """Send the fader at an index to a target, arriving after `over_s` seconds."""
        self._target_db[at] = target_db
        way = abs(target_db - self._now_db[at])
        samples = max(1.0, over_s * self._rate_hz)
        self._step_db[at] = way / samples
        opens = self._now_db[at] <= OFF_DB < target_db
        self._opening[at] = _linear(np.asarray(target_db)) / samples if opens else 0.0

    def next(self, samples: int) -> Real:
        """Return linear gains over the next samples, shape (..., samples), or (..., 1) at rest."""
        left = self._target_db - self._now_db
        if not left.any():
            return _linear(self._now_db)[..., None]
        reach = self._step_db[..., None] * np.arange(1, samples + 1)
        way = np.sign(left)[..., None] * np.minimum(np.abs(left)[..., None], reach)
        gains = _linear(self._now_db[..., None] + way)
        opening = self._opening > 0
        if opening.any():
            risen = _linear(self._now_db)[..., None] + self._opening[..., None] * np.arange(
                1, samples + 1
            )
            risen = np.minimum(risen, _linear(self._target_db)[..., None])
            gains = np.where(opening[..., None], risen, gains)
        moved_db = self._now_db + way[..., -1]
        opened_db = 20 * np.log10(np.maximum(gains[..., -1], 1e-4))
        self._now_db = np.where(opening, opened_db, moved_db)
        arrived = np.abs(self._target_db - self._now_db) < 1e-9
        self._now_db[arrived] = self._target_db[arrived]
        return gains


class GraphicEqualiser:
    """Thirty-one bands on one mix. A move cross-fades from the old setting to the new one."""

    def __init__(self, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self.bands_db = np.zeros(31)
        self.sections = graphic_sections(self.bands_db, rate_hz)
        self._state = np.zeros((0, 2))
        self._old: tuple[Real, Real] | None = None
        self._faded = 0
        self._past = np.zeros(int(WARM_UP_S * rate_hz))

    def move(self, band: int, gain_db: float) -> None:
        """Set one band (0..30) to a gain in dB; takes effect from the next sample on."""
        self.bands_db[band] = gain_db
        self._old = (self.sections, self._state)
        self.sections = graphic_sections(self.bands_db, self._rate_hz)
        self._state = _filtered(self.sections, self._past, _rest(self.sections))[1]
        self._faded = 0

    def next(self, samples: Real) -> Real:
        """Filter one block, shape (samples,)."""
        self._past = np.concatenate((self._past[samples.size :], samples))
        out, self._state = _filtered(self.sections, samples, self._state)
        if self._old is None:
            return out
        sections, state = self._old
        before, state = _filtered(sections, samples, state)
        length = FADE_S * self._rate_hz
        weight = np.minimum((self._faded + np.arange(samples.size)) / length, 1.0)
        self._faded += samples.size
        self._old = None if self._faded >= length else (sections, state)
        return before + weight * (out - before)


def _linear(gain_db: Real) -> Real:
    return np.where(gain_db > OFF_DB, 10 ** (gain_db / 20), 0.0)


def _rest(sections: Real) -> Real:
    return np.zeros((len(sections), 2))


def _filtered(sections: Real, samples: Real, state: Real) -> tuple[Real, Real]:
    if not len(sections):
        return samples, state
    out, state = sosfilt(sections, samples, zi=state)
    return np.asarray(out), np.asarray(state)
