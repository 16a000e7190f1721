"""The frames that the criteria of the literature look at."""

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from prehowl.daemon.bench.peers import criteria

Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Framing:
    """How a signal is cut: samples of a frame and from one frame to the next."""

    frame_length: int
    hop_length: int


@dataclass(frozen=True)
class Spectrogram:
    """|Y|^2 of Hann-windowed frames of one channel, and what is derived from it once.

    The window is ours: the papers name none for most criteria.
    """

    framing: Framing
    rate_hz: int
    power: Real = field(repr=False)  # (frames, bins); a full-scale sine reads 1

    @cached_property
    def level_db(self) -> Real:
        """Return 10 log10 of the power, (frames, bins)."""
        return criteria.ptpr_db(self.power, 1.0)

    @property
    def bin_hz(self) -> float:
        """Return the distance between two bins."""
        return self.rate_hz / self.framing.frame_length

    def end_s(self, frame: NDArray[np.intp] | int) -> Real:
        """Return the time of a frame's last sample: before it nothing of the frame is known."""
        at = np.asarray(frame) * self.framing.hop_length + self.framing.frame_length
        return np.asarray(at / self.rate_hz)


def transform(samples: NDArray[np.float32], framing: Framing, rate_hz: int) -> Spectrogram:
    """Return the spectrogram of one channel, shape (samples,); no frame reaches past its end."""
    cut = np.lib.stride_tricks.sliding_window_view(samples, framing.frame_length)
    n = np.arange(framing.frame_length)
    window = 0.5 - 0.5 * np.cos(2 * np.pi * n / framing.frame_length)
    spectrum = scipy.fft.rfft(cut[:: framing.hop_length] * (2 * window / window.sum()))
    power = np.square(spectrum.real) + np.square(spectrum.imag)
    return Spectrogram(framing, rate_hz, power)
