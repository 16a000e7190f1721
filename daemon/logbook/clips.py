"""Audio from before an alarm: a short memory of every channel, and what is made of a piece of it.

The memory is fed by the loop's thread: 16 bit integers, channel by channel, so that feeding costs
one conversion and a cut is one copy. Encoding and spectrum are the writer's work.
"""

import io
from dataclasses import dataclass

import numpy as np
import soundfile
from numpy.typing import NDArray

from prehowl.daemon.logbook.records import Clip, Spectrum

FULL = 32767
SPECTRUM_S = 0.17
"""About 6 Hz between bins: enough to see one line among partials, short against a rise."""
FLOOR_DBFS = -140.0


class AudioMemory:
    """The newest samples of every channel. Used by one thread."""

    def __init__(self, channels: int, length: int) -> None:
        """Keep `length` samples of `channels` channels."""
        self._kept: NDArray[np.int16] = np.zeros((channels, length), np.int16)
        self.fed = 0  # samples per channel so far

    def feed(self, piece: NDArray[np.float32]) -> None:
        """Append samples of shape (samples, channels), full scale = 1; louder ones are clipped."""
        length = self._kept.shape[1]
        newest = piece[-length:]
        whole = np.clip(newest.T * np.float32(FULL), -FULL, FULL).astype(np.int16)
        at = (self.fed + len(piece) - len(newest)) % length
        room = min(length - at, whole.shape[1])
        self._kept[:, at : at + room] = whole[:, :room]
        self._kept[:, : whole.shape[1] - room] = whole[:, room:]
        self.fed += len(piece)

    def cut(self, ch: int, first: int, end: int) -> NDArray[np.int16]:
        """Return the samples from `first` up to `end` of one channel, as far as they are kept."""
        length = self._kept.shape[1]
        first = max(first, self.fed - length, 0)
        end = min(end, self.fed)
        if end <= first:
            return np.zeros(0, np.int16)
        kept: NDArray[np.int16] = self._kept[ch, np.arange(first, end) % length]
        return kept


@dataclass(frozen=True, slots=True)
class RawClip:
    """A clip before it is encoded."""

    ring: int
    channel: int  # from 1
    time_s: float
    alarm_at: int  # sample in the clip at which the alarm was raised
    rate_hz: int
    samples: NDArray[np.int16]

    def encoded(self) -> Clip:
        """Return it as FLAC, 16 bit, one channel."""
        file = io.BytesIO()
        soundfile.write(file, self.samples, self.rate_hz, format="FLAC", subtype="PCM_16")
        return Clip(
            self.ring,
            self.channel,
            self.time_s,
            round(self.alarm_at / self.rate_hz, 3),
            self.rate_hz,
            file.getvalue(),
        )


@dataclass(frozen=True, slots=True)
class RawSpectrum:
    """The samples up to an alarm, before their spectrum is taken."""

    ring: int
    channel: int
    time_s: float
    rate_hz: int
    samples: NDArray[np.int16]

    def measured(self) -> Spectrum:
        """Return the levels by bin: Hann window, a full-scale sine on a bin reads 0 dBFS.

        Source: Harris (1978), "On the use of windows for harmonic analysis with the DFT" (from
        memory): the coherent gain of a window is its mean; a sine of amplitude 1 gives half of it.
        """
        count = len(self.samples)
        window = np.hanning(count + 1)[:-1]
        whole = np.abs(np.fft.rfft(window * self.samples / FULL)) / (window.sum() / 2)
        level = 20 * np.log10(np.maximum(whole, 10 ** (FLOOR_DBFS / 20)))
        level_dbfs = tuple(float(value) for value in np.round(level, 2))
        return Spectrum(self.ring, self.channel, self.time_s, self.rate_hz / count, level_dbfs)


def spectrum_length(rate_hz: int) -> int:
    """Return the samples that a spectrum is taken of: a power of two, near `SPECTRUM_S`."""
    return int(2 ** round(np.log2(SPECTRUM_S * rate_hz)))
