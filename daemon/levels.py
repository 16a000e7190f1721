"""Levels of every channel over a few seconds, each with a verdict in words, for a line check."""

import time
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.sources.base import Source

CLIP = 0.999
"""Full scale but for 0.01 dB: converters stop a step or two below it."""
CLIPS_LEAST = 3
"""Common practice, no source: three samples at full scale are a clip, one may be a peak."""
HOT_DBFS = -6.0
LOW_DBFS = -40.0
SILENT_DBFS = -80.0
"""Sample peaks, common practice, no source: a voice at -12 dBFS is a good one, below -40 the line
hardly arrives, below -80 there is not even the noise of an open preamplifier."""
FLOOR_DBFS = -144.0  # the step of 24 bits; also for digital silence
PATIENCE_S = 2.0


@dataclass(frozen=True, slots=True)
class ChannelLevel:
    """What came in on one channel."""

    channel: int
    name: str
    level_dbfs: float  # RMS over the whole time, full-scale sine = 0
    peak_dbfs: float  # largest sample, full scale = 0
    clipped_samples: int
    verdict: str  # silent, low, fine, hot or clipping


@dataclass(slots=True)
class LevelMeter:
    """Adds up blocks of shape (samples, channels)."""

    channels: int
    samples: int = 0
    damaged: int = 0  # NaN or infinite, taken as silence
    _square: NDArray[np.float64] = field(init=False)
    _peak: NDArray[np.float64] = field(init=False)
    _clipped: NDArray[np.int64] = field(init=False)

    def __post_init__(self) -> None:
        self._square = np.zeros(self.channels)
        self._peak = np.zeros(self.channels)
        self._clipped = np.zeros(self.channels, np.int64)

    def add(self, block: NDArray[np.float32]) -> None:
        """Take the next samples."""
        if not len(block):
            return
        is_sane = np.isfinite(block)
        self.damaged += int((~is_sane).sum())
        size = np.abs(np.where(is_sane, block, 0).astype(np.float64))
        self.samples += len(block)
        self._square += (size**2).sum(axis=0)
        self._peak = np.maximum(self._peak, size.max(axis=0))
        self._clipped += (size >= CLIP).sum(axis=0)

    def levels(self, numbers: Sequence[int], names: Sequence[str]) -> tuple[ChannelLevel, ...]:
        """Return each channel's level and verdict."""
        mean = self._square / max(self.samples, 1)
        rows = zip(numbers, names, 2 * mean, self._peak**2, self._clipped, strict=True)
        return tuple(
            ChannelLevel(
                channel=number,
                name=name,
                level_dbfs=_dbfs(power),
                peak_dbfs=_dbfs(peak_power),
                clipped_samples=int(clipped),
                verdict=verdict(_dbfs(peak_power), int(clipped)),
            )
            for number, name, power, peak_power, clipped in rows
        )


def verdict(peak_dbfs: float, clipped_samples: int) -> str:
    """Return in a word how a line arrives, from its largest sample and its clipped ones."""
    if clipped_samples >= CLIPS_LEAST:
        return "clipping"
    for limit_dbfs, word in ((SILENT_DBFS, "silent"), (LOW_DBFS, "low"), (HOT_DBFS, "fine")):
        if peak_dbfs < limit_dbfs:
            return word
    return "hot"


def listen(source: Source, seconds: float) -> LevelMeter:
    """Return the meter after `seconds` of samples, less at the source's end or when none come.

    A device that delivers nothing is given up `PATIENCE_S` after the time is over.
    """
    meter = LevelMeter(source.channels)
    wanted = round(seconds * source.rate_hz)
    give_up_s = time.monotonic() + seconds + PATIENCE_S
    while meter.samples < wanted and time.monotonic() < give_up_s:
        block = source.read()
        if block is None:
            break
        meter.add(block.samples[: wanted - meter.samples])
    return meter


def _dbfs(power: float) -> float:
    return round(float(10 * np.log10(max(power, 10 ** (FLOOR_DBFS / 10)))), 1)
