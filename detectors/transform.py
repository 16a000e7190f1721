"""From the latest samples to the power spectra of the frames that end with a tick.

Frames of which only the low bins are kept are transformed at a lower rate (`decimation`): an eighth
of the samples for the same bins.
"""

from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.decimation import Decimator, decimator_for, factor_for
from prehowl.detectors.spectrum import hann, lower_power, power_spectra

Figures = NDArray[np.float32]

CACHED_SAMPLES = 1 << 16
"""So many samples of a frame are transformed at once: they, their window's product and their
spectrum fit into a megabyte, and the transform takes 3 to 8 % less."""

STRETCHES = 64
"""Of a frame at a lower rate: the power of each, at the full rate, makes the channel's power. With
so many it is that of all bins to 0.1 % for whatever stands in the frame."""


@dataclass(frozen=True, slots=True)
class Frames:
    """Which frames are transformed, and what of their spectra is kept."""

    length: int  # samples
    hop: int
    per_tick: int  # how many end with one tick
    bins: int  # of the lower ones, so many are kept
    lowest_bin: int  # the first that counts as a channel's power


def transform_for(channels: int, rate_hz: int, frames: Frames) -> "Transform":
    """Return what transforms frames, at a lower rate where so few bins are kept that it can."""
    top_hz = frames.bins * rate_hz / frames.length
    factor = factor_for(rate_hz, top_hz) if frames.per_tick == 1 else 1
    if factor > 1:
        return LowRate(channels, frames, decimator_for(rate_hz, top_hz, factor), rate_hz)
    return FullRate(channels, frames)


class Transform(ABC):
    """Frames of one length, some stretches of the channels at a time."""

    reach: int
    """How many of the latest samples `spectra` wants."""

    def __init__(self, channels: int, frames: Frames, length: int) -> None:
        self._frames = frames
        self._window = hann(length)
        few = min(channels, max(1, CACHED_SAMPLES // length))
        self._windowed = np.empty((frames.per_tick, few, length), np.float32)
        self._channels = channels
        self.hear_only([slice(None)])

    def hear_only(self, parts: Sequence[slice]) -> None:
        """Look at these stretches of channels only from now on; the others read silence."""
        ranges = [range(self._channels)[part] for part in parts]
        self.hears_all = sum(map(len, ranges)) == self._channels
        # Some at a time, so that what is worked on stays in the cache.
        few = self._windowed.shape[1]
        self._parts = [
            slice(first, min(first + few, own.stop))
            for own in ranges
            for first in range(own.start, own.stop, few)
        ]

    def spectra(self, samples: Figures, room: Figures) -> Figures:
        """Write the spectra of the frames that end now; return their sums, (frames, channels).

        Parameters
        ----------
        samples : ndarray of float32, shape (channels, length)
            The latest samples, newest last; length >= reach.
        room : ndarray of float32, shape (frames, channels, bins)
            To be written to.
        """
        total = np.zeros(room.shape[:2], np.float32)
        if not self.hears_all:
            room[:] = 0
        for part in self._parts:
            windowed = self._windowed[:, : part.stop - part.start]
            total[:, part] = self._of_part(samples, part, windowed, room[:, part])
        return total

    @abstractmethod
    def _of_part(
        self, samples: Figures, part: slice, windowed: Figures, out: Figures
    ) -> Figures: ...


class FullRate(Transform):
    """Frames of the samples as they come; see `transform_for`."""

    def __init__(self, channels: int, frames: Frames) -> None:
        super().__init__(channels, frames, frames.length)
        self._back = range((frames.per_tick - 1) * frames.hop, -1, -frames.hop)
        self.reach = frames.length + self._back[0]

    def _of_part(self, samples: Figures, part: slice, windowed: Figures, out: Figures) -> Figures:
        end, length = samples.shape[1], len(self._window)
        for number, back in enumerate(self._back):
            stop = end - back
            np.multiply(samples[part, stop - length : stop], self._window, out=windowed[number])
        return power_spectra(windowed, out, self._frames.lowest_bin).total


class LowRate(Transform):
    """Frames of the samples at a fraction of their rate; see `transform_for`.

    The sum over all bins, also those that are too high for that rate, comes from the power of
    stretches of the samples as they are, each weighted with the window's there (Parseval).
    """

    def __init__(self, channels: int, frames: Frames, decimate: Decimator, rate_hz: int) -> None:
        length = frames.length // decimate.factor
        self._past = np.zeros((channels, length), np.float32)
        self._energy = np.zeros((channels, STRETCHES), np.float32)
        super().__init__(channels, frames, length)
        self._decimate = decimate
        self.reach = frames.hop + decimate.older
        frequency_hz = np.arange(frames.bins, dtype=np.float64) * (rate_hz / frames.length)
        self._undone = 1 / decimate.power_response(frequency_hz, rate_hz)
        window = hann(frames.length).astype(np.float64).reshape(STRETCHES, -1)
        self._weight = np.asarray(frames.length / 2 * (window**2).mean(axis=1), np.float32)

    def hear_only(self, parts: Sequence[slice]) -> None:
        """Look at these stretches only; what the others sounded like is forgotten."""
        super().hear_only(parts)
        silent = np.ones(self._channels, bool)
        for part in parts:
            silent[part] = False
        self._past[silent] = self._energy[silent] = 0

    def _of_part(self, samples: Figures, part: slice, windowed: Figures, out: Figures) -> Figures:
        self._take(samples[part, -self.reach :], self._past[part], self._energy[part])
        np.multiply(self._past[part], self._window, out=windowed[0])
        lower_power(windowed, out)
        out *= self._undone
        power = out[0]
        # The same sums however many channels there are, unlike a product of matrices.
        everything = np.einsum("cs,s->c", self._energy[part], self._weight) + power[:, 0] / 2
        # Of an offset next to nothing may be left, rounded; at least there is what is kept.
        lowest = self._frames.lowest_bin
        audible = everything - power[:, :lowest].sum(axis=1)
        return np.asarray(np.maximum(audible, power[:, lowest:].sum(axis=1)), np.float32)

    def _take(self, samples: Figures, past: Figures, energy: Figures) -> None:
        """Let the newest samples follow the older ones."""
        hop = self._frames.hop
        low = self._decimate(samples)
        past[:, : -low.shape[1]] = past[:, low.shape[1] :]
        past[:, -low.shape[1] :] = low
        count = STRETCHES * hop // self._frames.length
        stretches = samples[:, -hop:].reshape(len(samples), count, -1)
        energy[:, :-count] = energy[:, count:]
        energy[:, -count:] = np.einsum("csn,csn->cs", stretches, stretches)
