"""What an equaliser takes away from sound as a whole: from pink noise, and from speech.

The loss is that of unweighted power: 10 log10 of the share that is left. Sound people fear that
cuts ruin the sound; three cuts of 3 dB take about half a decibel.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.bands import band_index, edges_hz, exact_centres_hz
from prehowl.detectors.peaking import response_db

Real = NDArray[np.float64]

POINTS_AN_OCTAVE = 96

SPEECH_LEVEL_DB: tuple[float, ...] = (
    32.41, 34.48, 34.75, 33.98, 34.59, 34.27, 32.06, 28.30, 25.01, 23.00, 20.15, 17.32, 13.18,
    11.55, 9.33, 5.31, 2.59, 1.13,
)  # fmt: skip
"""Spectrum level of speech at normal effort, dB in 1 Hz, third-octave bands 160 Hz to 8 kHz.
Source: ANSI S3.5-1997 (R2017), table 3, from memory."""
LOWEST_SPEECH_HZ, HIGHEST_SPEECH_HZ = 160.0, 8000.0


@dataclass(frozen=True, slots=True)
class Loss:
    """How many decibels softer a setting makes two kinds of sound; > 0 is softer."""

    pink_db: float
    """Pink noise, 17.8 Hz to 22.4 kHz: the 31 bands, each with the same power."""
    speech_db: float
    """Noise with the long-term spectrum of speech at normal effort."""


def programme_loss(sections: Real, rate_hz: float) -> Loss:
    """Return how much softer a chain of sections makes pink noise and speech-shaped noise.

    Parameters
    ----------
    sections : ndarray, shape (sections, 6)
        From `graphic_sections` or `notch_sections`.
    rate_hz : float
        Frequencies above half of it are left out.

    Notes
    -----
    Source: definition of pink noise (the same power in every octave); `speech_power`.
    """
    frequency = _grid_hz(rate_hz)
    kept = 10 ** (response_db(sections, frequency, rate_hz) / 10)
    return Loss(_loss(kept, np.ones(frequency.size)), _loss(kept, speech_power(frequency)))


def speech_power(frequency_hz: Real) -> Real:
    """Return the power of speech at normal effort in equal steps of pitch.

    Parameters
    ----------
    frequency_hz : ndarray
        > 0.

    Returns
    -------
    ndarray, shape of `frequency_hz`
        Power (re 20 micropascal squared) for each unit of the natural logarithm of frequency;
        nothing outside the standard's bands, 141 Hz to 8.9 kHz.

    Notes
    -----
    Source: ANSI S3.5-1997, table 3 (from memory), joined by straight lines in dB over the
    logarithm of frequency.
    """
    first, last = (int(band_index(hz)) for hz in (LOWEST_SPEECH_HZ, HIGHEST_SPEECH_HZ))
    centres = exact_centres_hz()[first : last + 1]
    level_db = np.interp(np.log(frequency_hz), np.log(centres), SPEECH_LEVEL_DB)
    inside = (frequency_hz >= edges_hz()[first]) & (frequency_hz < edges_hz()[last + 1])
    # The table is power in 1 Hz; an equal step of pitch is wider the higher it lies.
    return np.where(inside, 10 ** (level_db / 10) * frequency_hz, 0.0)


def _loss(kept: Real, power: Real) -> float:
    # Rounding must not turn a flat equaliser into a loss of -0.0.
    return float(round(-10 * np.log10((kept * power).sum() / power.sum()), 9)) + 0.0


def _grid_hz(rate_hz: float) -> Real:
    """Return frequencies equal steps of pitch apart: each has the same share of pink noise."""
    lowest, highest = edges_hz()[0], min(edges_hz()[-1], rate_hz / 2)
    points = int(np.log2(highest / lowest) * POINTS_AN_OCTAVE)
    return np.asarray(lowest * 2 ** ((np.arange(points) + 0.5) / POINTS_AN_OCTAVE))
