"""What a sheet does to sound, how two of them differ, what warmer air does to its rings. Pure."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from prehowl.daemon.sheets.sheet import FoundRing, Sheet
from prehowl.detectors.bands import NOMINAL_HZ, nominal_hz
from prehowl.detectors.graphic_eq import graphic_response_db, graphic_sections
from prehowl.detectors.loop import speed_of_sound
from prehowl.detectors.programme_loss import Loss, programme_loss

Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class MovedRing:
    """Where a ring lies at another air temperature."""

    ring: FoundRing
    frequency_hz: float
    band_hz: float
    """Nominal band that now holds it."""
    was_in_hz: float
    """Nominal band that held it then; the fader that was pulled may have been another."""

    @property
    def has_crossed(self) -> bool:
        """Tell whether it lies in another band now."""
        return self.band_hz != self.was_in_hz


@dataclass(frozen=True, slots=True)
class Difference:
    """One fader that stands differently in two sheets."""

    band_hz: float
    first_db: float
    second_db: float


def sheet_response_db(sheet: Sheet, frequency_hz: ArrayLike) -> Real:
    """Return what a sheet does to each frequency, dB; 0 above half of its sampling rate."""
    frequency = np.asarray(frequency_hz, np.float64)
    heard = np.minimum(frequency, sheet.rate_hz / 2)
    response = graphic_response_db(sheet.faders_db, heard, sheet.rate_hz, sheet.kind)
    return np.where(frequency <= sheet.rate_hz / 2, response, 0.0)


def sheet_loss(sheet: Sheet) -> Loss:
    """Return how much softer a sheet makes pink noise and speech-shaped noise."""
    sections = graphic_sections(sheet.faders_db, sheet.rate_hz, sheet.kind)
    return programme_loss(sections, sheet.rate_hz)


def differences(first: Sheet, second: Sheet) -> tuple[Difference, ...]:
    """Return the faders that differ by a step or more, the coarser step of the two."""
    step = max(first.fader_step_db, second.fader_step_db)
    pairs = zip(NOMINAL_HZ, first.faders_db, second.faders_db, strict=True)
    return tuple(Difference(hz, a, b) for hz, a, b in pairs if abs(a - b) >= step - 1e-9)


def moved_rings(sheet: Sheet, temperature_c: float) -> tuple[MovedRing, ...]:
    """Return where the rings of a sheet lie at another air temperature.

    All path lengths stay, so every ring moves with the speed of sound: about 0.17 % per kelvin.
    Source: c = 331.3 sqrt(1 + T / 273.15), textbook formula. It holds for what the air does alone;
    electronics do not warm, so the true shift is a little smaller.

    Raises
    ------
    ValueError
        If the sheet does not tell its temperature.
    """
    if sheet.temperature_c is None:
        raise ValueError("the sheet does not tell its air temperature")
    ratio = speed_of_sound(temperature_c) / speed_of_sound(sheet.temperature_c)
    return tuple(
        MovedRing(
            ring,
            ring.frequency_hz * ratio,
            nominal_hz(ring.frequency_hz * ratio),
            nominal_hz(ring.frequency_hz),
        )
        for ring in sheet.rings
    )
