"""Read how known rings fare in the newest frame of one resolution."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.memory import SpectrumMemory
from prehowl.detectors.peaks import LOBE_BINS, LOBE_RATIO, locate
from prehowl.detectors.spectrum import tone_power
from prehowl.detectors.steadiness import wander_bins
from prehowl.detectors.tracks import Figures, Now, look_back

LOOKS = 8


@dataclass(frozen=True, slots=True)
class Sighting:
    """Some rings in one frame; arrays of shape (rings,)."""

    is_peak: NDArray[np.bool_]
    level_dbfs: Figures
    slope_db_per_s: Figures  # over the last 8 frames
    frequency_hz: Figures  # mean over the last 8 frames, by amplitude; as asked if not seen
    wander_bins: Figures  # standard deviation of its place over the last 8 frames
    share: Figures  # of the channel's power in this frame, 0..1


def sight(
    now: Now, memory: SpectrumMemory, ch: NDArray[np.intp], frequency_hz: NDArray[np.float64]
) -> Sighting:
    """Look at known frequencies of channels, a bin to either side at the most.

    Parameters
    ----------
    now : Now
        The newest frame.
    memory : SpectrumMemory
        Its past, at least 8 frames long.
    ch : ndarray of int, shape (rings,)
    frequency_hz : ndarray of float, shape (rings,)
    """
    edge = LOBE_BINS + 1
    middle = np.rint(frequency_hz / now.bin_hz).astype(np.intp)
    middle = np.minimum(np.maximum(middle, edge), memory.bins - 1 - edge)
    flat = now.power.reshape(-1)
    index = ch * memory.bins + middle
    beside = np.stack([flat[index - 1], flat[index], flat[index + 1]])
    bins = middle - 1 + beside.argmax(axis=0)
    index = ch * memory.bins + bins
    low, here, high = flat[index - 1], flat[index], flat[index + 1]
    foot = np.maximum(flat[index - LOBE_BINS], flat[index + LOBE_BINS])
    is_peak = (here > low) & (here >= high) & (here > LOBE_RATIO * foot)
    _, level = locate(low, here, high)
    step = np.ones(len(ch), np.intp)
    tracks = look_back(now, memory, ch, bins, step, LOOKS)
    mean, wander = wander_bins(tracks.level_dbfs, tracks.position, tracks.present)
    known = tracks.present.any(axis=1)
    place = np.where(known, mean, frequency_hz / now.bin_hz)
    slope = (tracks.level_dbfs[:, -1] - tracks.level_dbfs[:, 0]) / ((LOOKS - 1) * memory.hop_s)
    share = tone_power(level) / np.maximum(now.total[ch], 1e-14)
    return Sighting(
        is_peak,
        level,
        slope.astype(np.float32),
        np.asarray(place * now.bin_hz, np.float32),
        wander,
        share.astype(np.float32),
    )
