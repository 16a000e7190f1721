"""The 32 channels that the rig plays: noise as programme, and howls that we know to the sample.

Everything is made here from a seed; nothing is scripted into the detector.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

RATE_HZ = 48000
CHANNELS = 32
DURATION_S = 4.0
NOISE_DBFS = -38.0
SINE_DBFS = -60.0
LIMIT_DBFS = -12.0


@dataclass(frozen=True, slots=True)
class Howl:
    """One tone that rises straight in dB, as a loop over its limit makes it, up to a limit."""

    channel: int  # from 1
    frequency_hz: float
    band_hz: float  # nominal, ISO 266; far enough inside the band to leave no doubt
    growth_db_per_s: float
    start_s: float


HOWLS = (
    Howl(3, 2520.0, 2500, 40.0, 1.0),
    Howl(11, 640.0, 630, 30.0, 1.5),
    Howl(18, 1010.0, 1000, 60.0, 2.0),
    Howl(32, 6200.0, 6300, 40.0, 2.5),
)


def programme(seed: int = 5) -> NDArray[np.float32]:
    """Return shape (samples, CHANNELS): pink noise everywhere, with the howls on top."""
    rng = np.random.default_rng(seed)
    count = round(DURATION_S * RATE_HZ)
    planar = np.stack([pink(rng, count) * 10 ** (NOISE_DBFS / 20) for _ in range(CHANNELS)])
    for howl in HOWLS:
        planar[howl.channel - 1] += rising_tone(howl, count)
    return np.ascontiguousarray(planar.T, dtype=np.float32)


def pink(rng: np.random.Generator, count: int) -> NDArray[np.float64]:
    """Return noise with a power density that falls 3 dB an octave, RMS 1."""
    spectrum = np.fft.rfft(rng.standard_normal(count))
    frequency_hz = np.fft.rfftfreq(count, 1 / RATE_HZ)
    noise = np.fft.irfft(spectrum / np.sqrt(np.maximum(frequency_hz, 20.0)), count)
    return noise / np.sqrt(np.mean(noise**2))


def rising_tone(howl: Howl, count: int) -> NDArray[np.float64]:
    """Return the tone of one howl, silent before its start."""
    time_s = np.arange(count) / RATE_HZ
    level_db = np.minimum(SINE_DBFS + howl.growth_db_per_s * (time_s - howl.start_s), LIMIT_DBFS)
    tone = 10 ** (level_db / 20) * np.sin(2 * np.pi * howl.frequency_hz * time_s)
    return np.where(time_s >= howl.start_s, tone, 0.0)
