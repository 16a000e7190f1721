"""The loudest line of each channel, and how much of the channel's power it has.

With its multiples, also where a clipped converter folds them back: whether anything else is heard.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.peaks import locate
from prehowl.detectors.spectrum import FLOOR_POWER, tone_power
from prehowl.detectors.tracks import Figures, Now

QUIETEST_DBFS = -40.0
"""Hum on an open channel is quieter, and would stand out all day."""

REFERENCE_SHARE = 0.03
"""A line with so much of a reference's power stands out there."""

LOBE = np.array([-2, -1, 0, 1, 2])
MULTIPLES = np.arange(2, 9)
SCALLOPING = np.float32(1.39)
"""A tone between two bins has so much more power than the higher of them shows."""


@dataclass(frozen=True, slots=True)
class Lines:
    """The loudest line of some channels; arrays of shape (channels,)."""

    ch: NDArray[np.intp]
    bin: NDArray[np.intp]
    place: Figures  # in bins
    level_dbfs: Figures
    share: Figures  # of the channel's power
    with_multiples: Figures  # the same with what lies at its multiples

    def only(self, keep: NDArray[np.bool_]) -> "Lines":
        """Return some of them."""
        return Lines(
            self.ch[keep],
            self.bin[keep],
            self.place[keep],
            self.level_dbfs[keep],
            self.share[keep],
            self.with_multiples[keep],
        )


def loudest_lines(
    now: Now, bins: slice, is_reference: NDArray[np.bool_], least_share: float
) -> Lines:
    """Return the loudest lines that have so much of their channel's power, and are no music.

    Parameters
    ----------
    now : Now
    bins : slice
        Where a ring may lie.
    is_reference : ndarray of bool, shape (channels,)
        Channels that cannot be in a loop: they are not looked at, nor is what stands out there.
    least_share : float
        0..1.
    """
    total = np.maximum(now.total, FLOOR_POWER)
    searched = now.power[:, bins]
    least = np.float32(least_share / (1.5 * SCALLOPING))
    ch = np.flatnonzero((searched.max(axis=1) >= least * total) & ~is_reference)
    at = searched[ch].argmax(axis=1) + bins.start
    offset, level = locate(*(now.power[ch, at + k] for k in (-1, 0, 1)))
    place = (at + offset).astype(np.float32)
    lines = Lines(
        ch,
        at,
        place,
        level,
        np.asarray(tone_power(level) / total[ch], np.float32),
        _with_multiples(now, ch, place),
    )
    keep = (lines.share >= least_share) & (level >= QUIETEST_DBFS)
    return lines.only(keep & ~stands_in_a_reference(now, at, is_reference))


def _with_multiples(now: Now, ch: NDArray[np.intp], place: Figures) -> Figures:
    """Return the share of lines and their multiples, each bin once."""
    orders = np.concatenate([[1], MULTIPLES])
    at = np.rint(place[:, None] * orders).astype(np.intp) % now.frame_length
    folded = np.minimum(at, now.frame_length - at)  # by the clipped converter
    lobes = np.clip(folded[:, :, None] + LOBE, 0, now.power.shape[1] - 1)
    mine = np.zeros((len(ch), now.power.shape[1]), bool)
    mine[np.arange(len(ch))[:, None, None], lobes] = True
    power = (now.power[ch] * mine).sum(axis=1)
    return np.asarray(power / np.maximum(now.total[ch], FLOOR_POWER), np.float32)


def stands_in_a_reference(
    now: Now, bins: NDArray[np.intp], is_reference: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Tell for some bins whether a line stands out there in a reference: then it is music.

    Parameters
    ----------
    now : Now
    bins : ndarray of int, shape (places,)
    is_reference : ndarray of bool, shape (channels,)
    """
    around = np.clip(bins[:, None] + LOBE, 0, now.power.shape[1] - 1)
    power = now.power[is_reference][:, around].max(axis=2)
    share = power / np.maximum(now.total[is_reference], FLOOR_POWER)[:, None]
    return np.asarray((share >= REFERENCE_SHARE).any(axis=0))
