"""The cheap look: which peaks may be rising at all, from three moments of the past.

Most peaks of music do not rise, so this comes first and all else is done for few. It compares
powers, which costs next to nothing, and takes logarithms only for what has risen at all.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.memory import SpectrumMemory
from prehowl.detectors.peaks import Peaks
from prehowl.detectors.spectrum import FLOOR_POWER, decibels
from prehowl.detectors.tracks import Figures

LEAST_CLIMB_DB = 2.0
"""Half of the smallest rise that counts, since half a span ago."""

HALF_LOOKS, QUARTER_LOOKS, LAST_LOOK = 6, 3, 1
"""The moments looked at: half and a quarter of a span ago, and just before."""

COMPANY_RATIO = np.float32(10 ** (0.45 * LEAST_CLIMB_DB / 10))
"""Company rises by half as much as a climber or more; a hair less here, against rounding."""


@dataclass(frozen=True, slots=True)
class Climbers:
    """Peaks that passed the cheap look, one entry a peak and span; spans in the order given."""

    peak: NDArray[np.intp]  # (entries,) number in `Peaks`
    step: NDArray[np.intp]  # (entries,) frames from look to look
    company: Figures  # (entries,) other peaks of the channel that rise by half as much or more


def find_climbers(
    peaks: Peaks,
    memory: SpectrumMemory,
    steps: Sequence[int],
    is_reference: NDArray[np.bool_],
) -> Climbers:
    """Take the cheap look at every peak over every span, all spans at once.

    Parameters
    ----------
    peaks : Peaks
        Of the newest frame.
    memory : SpectrumMemory
        Its past.
    steps : sequence of int
        Frames of the memory from look to look, one for each span.
    is_reference : ndarray of bool, shape (channels,)
        Channels that cannot be in a loop: what rises there rises in no loop.
    """
    step = np.asarray(steps, np.intp)
    past = np.maximum(memory.at(peaks.index, HALF_LOOKS * step[:, None]), FLOOR_POWER)
    risers = np.flatnonzero(peaks.power >= COMPANY_RATIO * past)
    span, peak = np.divmod(risers, max(1, len(peaks.ch)))
    level = decibels(peaks.power[peak])
    half = level - decibels(past.reshape(-1)[risers])
    climbs = half >= LEAST_CLIMB_DB
    if is_reference.any():
        for number in range(len(steps)):
            mine = np.flatnonzero(span == number)
            own = (peaks.ch[peak[mine]], peaks.bin[peak[mine]], half[mine])
            climbs[mine] &= ~_known_to_a_reference(*own, is_reference, memory.bins)
    some = np.flatnonzero(climbs)
    some = some[
        _goes_on(memory, peaks.index[peak[some]], step[span[some]], level[some], half[some])
    ]
    group = span * memory.channels + peaks.ch[peak]
    return Climbers(peak[some], step[span[some]], _company(group, half, some))


def _goes_on(
    memory: SpectrumMemory,
    index: NDArray[np.intp],
    step: NDArray[np.intp],
    level: Figures,
    half: Figures,
) -> NDArray[np.bool_]:
    """Tell which peaks rose evenly: some of it lately, and not all of it."""
    quarter = level - decibels(memory.at(index, QUARTER_LOOKS * step))
    last = level - decibels(memory.at(index, LAST_LOOK * step))
    evenly = (last > -0.3) & (last < 0.5 * half + 0.5)
    evenly &= (quarter > np.maximum(0.2 * half, 0.6)) & (quarter < 0.8 * half + 1)
    return np.asarray(evenly)


def _company(group: NDArray[np.intp], rise_db: Figures, some: NDArray[np.intp]) -> Figures:
    """Return how many others of the same group rise by half as much as some, or more."""
    if not len(some):
        return np.zeros(0, np.float32)
    apart = 400.0  # more than any two levels differ: one sorted list serves all groups
    order = np.sort(group * apart + np.minimum(rise_db, 150))
    base = group[some] * apart
    above = np.searchsorted(order, base + 160) - np.searchsorted(order, base + 0.5 * rise_db[some])
    return np.asarray(above - 1, np.float32)


def _known_to_a_reference(
    ch: NDArray[np.intp],
    bins: NDArray[np.intp],
    rise_db: Figures,
    is_reference: NDArray[np.bool_],
    count: int,
) -> NDArray[np.bool_]:
    """Tell which peaks rise in a reference channel too (or belong to one): that is music."""
    own = is_reference[ch]
    highest = np.full(count + 2, -200, np.float32)
    np.maximum.at(highest, bins[own] + 1, rise_db[own])
    near = np.maximum(np.maximum(highest[:-2], highest[1:-1]), highest[2:])
    return own | (near[bins] >= 0.5 * rise_db)
