"""What some frequencies did in the past: level, place and presence at equally spaced looks back.

All howl tests with a memory work on these. A track is one bin of one channel; a ring between two
bins is highest now in one, now in the other, so level and place are read from three.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.memory import SpectrumMemory
from prehowl.detectors.peaks import LOBE_BINS, LOBE_RATIO
from prehowl.detectors.spectrum import decibels

Figures = NDArray[np.float32]

LOOKS = 12
"""Looks back over a span. Frames overlap by three quarters, so that more would say little more."""

SAME_PLACE_BINS = 0.25
"""A line that is no farther off than this stands where it stood."""

_AROUND = np.array([-LOBE_BINS, -1, 0, 1, LOBE_BINS])


@dataclass(frozen=True, slots=True)
class Tracks:
    """Some bins of some channels, now and over the past.

    Arrays over tracks have shape (tracks,), over their past (tracks, looks), newest look last.
    """

    power: Figures  # (channels, bins) the newest spectrum
    total: Figures  # (channels,) its sum over all bins up to half the rate but rumble's
    recent_power: Figures  # (channels,) summed power, averaged over about a second
    bin_hz: float
    frame_length: int  # samples; of its bins only the lower ones may have been kept
    ch: NDArray[np.intp]
    bin: NDArray[np.intp]
    step_s: Figures  # time between two looks
    level_dbfs: Figures  # over the past; of a lone tone true to 0.1 dB
    position: Figures  # over the past, in bins
    flank_dbfs: Figures  # over the past: the louder side of the main lobe's foot
    present: Figures  # over the past: 1 where it was a peak, else 0
    total_past: Figures  # over the past: the channel's summed power

    @property
    def frame_s(self) -> float:
        """Length of the analysis frame."""
        return 1 / self.bin_hz

    @property
    def frequency_hz(self) -> Figures:
        """Frequency of each track in the newest frame."""
        return np.asarray(self.position[:, -1] * np.float32(self.bin_hz), np.float32)


@dataclass(frozen=True, slots=True)
class Now:
    """The newest frame of one resolution."""

    power: Figures  # (channels, bins)
    total: Figures  # (channels,)
    recent_power: Figures  # (channels,)
    bin_hz: float
    frame_length: int


@dataclass(frozen=True, slots=True)
class Seen:
    """The tone in some bins over their past; arrays of shape (tracks, looks), newest look last."""

    level_dbfs: Figures  # of a lone tone true to 0.1 dB
    offset: Figures  # of its place from the bin, in bins, -1..1
    flank: Figures  # power at the louder side of the main lobe's foot
    present: Figures  # 1 where it was a peak, else 0

    def only(self, keep: NDArray[np.intp] | slice) -> "Seen":
        """Return some of the tracks."""
        return Seen(self.level_dbfs[keep], self.offset[keep], self.flank[keep], self.present[keep])


def looks_back(step: NDArray[np.intp], looks: int = LOOKS) -> NDArray[np.intp]:
    """Return how many frames ago each look was, shape (tracks, looks), newest look last."""
    return step[:, None] * np.arange(looks - 1, -1, -1)


def around(
    memory: SpectrumMemory,
    ch: NDArray[np.intp],
    bins: NDArray[np.intp],
    back: NDArray[np.intp],
) -> Figures:
    """Read the power around some bins in the past.

    Returns
    -------
    ndarray of float32, shape (5, tracks, looks)
        Of the bins `_AROUND` each, looks as in `back`.
    """
    index = ch * memory.bins + bins
    return memory.past(index[:, None] + _AROUND, back).transpose(2, 0, 1)


def see(power: Figures) -> Seen:
    """Tell what the power around some bins, as `around` reads it, says of a tone there."""
    left_foot, below, here, above, right_foot = power
    low, middle, high = np.sqrt(below), np.sqrt(here), np.sqrt(above)
    width = np.maximum(low + 2 * middle + high, np.float32(1e-12))
    offset = np.minimum(np.maximum(2 * (high - low) / width, -1), 1)
    # The three bins of a lone tone hold 1.5 of its power in the middle of a bin, 1.47 between.
    three = (below + here + above) * np.float32(1 / 1.5)
    flank = np.maximum(left_foot, right_foot)
    present = (three > LOBE_RATIO * flank) & (np.abs(offset) < 0.95)
    return Seen(decibels(three), offset, flank, present.astype(np.float32))


def look_back(
    now: Now,
    memory: SpectrumMemory,
    ch: NDArray[np.intp],
    bins: NDArray[np.intp],
    step: NDArray[np.intp],
    looks: int = LOOKS,
) -> Tracks:
    """Read the past of some bins.

    Parameters
    ----------
    now : Now
        The newest frame, which is also the newest of the memory or little older.
    memory : SpectrumMemory
    ch, bins : ndarray of int, shape (tracks,)
        Bins at least `LOBE_BINS` away from both ends.
    step : ndarray of int, shape (tracks,)
        Frames of the memory from look to look.
    looks : int
        How many; (looks - 1) * step < memory.frames.
    """
    back = looks_back(step, looks)
    seen = see(around(memory, ch, bins, back))
    return tracks_of(now, memory, ch, bins, step, seen)


def tracks_of(
    now: Now,
    memory: SpectrumMemory,
    ch: NDArray[np.intp],
    bins: NDArray[np.intp],
    step: NDArray[np.intp],
    seen: Seen,
) -> Tracks:
    """Return the tracks of what was `seen`; the rest as `look_back` has it."""
    return Tracks(
        now.power,
        now.total,
        now.recent_power,
        now.bin_hz,
        now.frame_length,
        ch,
        bins,
        (step * memory.hop_s).astype(np.float32),
        seen.level_dbfs,
        bins[:, None] + seen.offset,
        decibels(seen.flank),
        seen.present,
        memory.totals(ch, looks_back(step, seen.present.shape[1])),
    )
