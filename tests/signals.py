"""Generators of test sound that return the truth together with the samples.

Everything is defined in continuous time and evaluated at a rate, so that the same call at another
rate is the same physical sound. Samples are float64, full scale = 1, shape (samples,).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float64]

TOP_HZ = 18_000.0
"""Noise ends here, below the Nyquist frequency of every usual rate."""


def times(seconds: float, rate_hz: int) -> Samples:
    """Return the time of each sample, s."""
    return np.arange(round(seconds * rate_hz)) / rate_hz


def amplitude(level_dbfs: float) -> float:
    """Return the amplitude of a sine of that level; full scale = 0 dBFS = 1."""
    return float(10 ** (level_dbfs / 20))


def sine(
    frequency_hz: float,
    seconds: float,
    rate_hz: int,
    *,
    level_dbfs: float = 0.0,
    phase: float = 0.0,
    starts_s: float = 0.0,
) -> Samples:
    """Return a steady sine that is switched on hard at `starts_s`."""
    t = times(seconds, rate_hz)
    tone = amplitude(level_dbfs) * np.sin(2 * np.pi * frequency_hz * t + phase)
    return np.where(t >= starts_s, tone, 0)


def noise(
    seconds: float, rate_hz: int, *, level_dbfs: float, seed: int, tilt_db_per_octave: float
) -> Samples:
    """Return Gaussian noise from 20 Hz to 18 kHz that repeats after `seconds`.

    The level is that of a sine of the same RMS. White is 0 dB/octave, pink about -3.01.
    """
    rng = np.random.default_rng(seed)
    k = np.arange(1, int(TOP_HZ * seconds))
    spectrum = rng.standard_normal(len(k)) + 1j * rng.standard_normal(len(k))
    spectrum *= (k / seconds / 1000) ** (tilt_db_per_octave / (20 * np.log10(2)))
    spectrum[k / seconds < 20] = 0
    spectrum *= amplitude(level_dbfs) / np.sqrt((np.abs(spectrum) ** 2).sum())
    samples = round(seconds * rate_hz)
    full = np.zeros(samples // 2 + 1, complex)
    full[1 : len(k) + 1] = spectrum
    return np.asarray(np.fft.irfft(full, samples) * samples / 2)


def pink_noise(seconds: float, rate_hz: int, *, level_dbfs: float, seed: int) -> Samples:
    """Return pink noise: equal power in every third of an octave."""
    return noise(seconds, rate_hz, level_dbfs=level_dbfs, seed=seed, tilt_db_per_octave=-3.0103)


def white_noise(seconds: float, rate_hz: int, *, level_dbfs: float, seed: int) -> Samples:
    """Return white noise up to 18 kHz."""
    return noise(seconds, rate_hz, level_dbfs=level_dbfs, seed=seed, tilt_db_per_octave=0)


@dataclass(frozen=True)
class Rise:
    """A line of constant frequency that rises straight in dB, is held by a limit, then stops."""

    frequency_hz: float
    growth_db_per_s: float
    starts_s: float = 0.2  # at -90 dBFS
    top_dbfs: float = -6.0
    held_s: float = 0.4
    decay_db_per_s: float = 800.0

    bottom_dbfs = -90.0

    @property
    def tops_out_s(self) -> float:
        """Time at which the limit stops the growth."""
        return self.starts_s + (self.top_dbfs - self.bottom_dbfs) / self.growth_db_per_s

    @property
    def stops_s(self) -> float:
        """Time at which the line begins to fall."""
        return self.tops_out_s + self.held_s

    def time_of_level(self, level_dbfs: float) -> float:
        """Return when the rising line passes a level."""
        return self.starts_s + (level_dbfs - self.bottom_dbfs) / self.growth_db_per_s

    def level_dbfs(self, time_s: Samples) -> Samples:
        """Return the line's level at each time; -inf before its start."""
        up = self.bottom_dbfs + self.growth_db_per_s * (time_s - self.starts_s)
        down = self.top_dbfs - self.decay_db_per_s * (time_s - self.stops_s)
        level = np.minimum(np.minimum(up, self.top_dbfs), down)
        return np.where(time_s < self.starts_s, -np.inf, level)

    def samples(self, seconds: float, rate_hz: int) -> Samples:
        """Return the line alone."""
        t = times(seconds, rate_hz)
        return np.asarray(
            10 ** (self.level_dbfs(t) / 20) * np.sin(2 * np.pi * self.frequency_hz * t)
        )


def swelling_vibrato(
    frequency_hz: float,
    seconds: float,
    rate_hz: int,
    *,
    depth_cents: float = 50.0,
    vibrato_hz: float = 5.5,
    growth_db_per_s: float = 15.0,
    top_dbfs: float = -12.0,
) -> Samples:
    """Return a singer's note: six partials, vibrato, a swell up to `top_dbfs`."""
    t = times(seconds, rate_hz)
    cents = depth_cents * np.sin(2 * np.pi * vibrato_hz * t)
    phase = 2 * np.pi * np.cumsum(frequency_hz * 2 ** (cents / 1200)) / rate_hz
    voice = sum(np.sin(n * phase) / n for n in range(1, 7))
    level = np.minimum(top_dbfs - growth_db_per_s * (seconds - 0.5 - t), top_dbfs)
    return np.asarray(10 ** (level / 20) * voice)


def square(frequency_hz: float, seconds: float, rate_hz: int) -> Samples:
    """Return a full-scale square wave, hard as a clipped input makes it."""
    return np.where(np.sin(2 * np.pi * frequency_hz * times(seconds, rate_hz)) >= 0, 1.0, -1.0)


def channels(*parts: Samples) -> NDArray[np.float32]:
    """Return the parts side by side, shape (samples, channels), as an interface hands them over."""
    return np.stack(parts, axis=1).astype(np.float32)
