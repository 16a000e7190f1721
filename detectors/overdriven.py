"""A howl at its worst: one steady tone drives the input to its end stop.

A word, a note or another ring may hide how a ring rises; what it ends in cannot be hidden. Where
one line and its multiples (a clipped tone has them) are all there is, at full scale, and stand
still to a cent or two, there is a howl, or a test tone that is far too loud.
"""

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.memory import SpectrumMemory
from prehowl.detectors.peaks import locate
from prehowl.detectors.spectrum import FLOOR_POWER
from prehowl.detectors.tracks import Figures, Now, look_back
from prehowl.detectors.verdict import Verdict

FULL_SCALE_DBFS = -2.0
"""Sample peak of an input at its end stop; between its crests a low tone falls by a decibel."""

LEAST_SHARE = 0.7
"""Share of the channel's power in the line; a square wave's fundamental has 0.81 (8 / pi^2)."""

LEAST_WITH_MULTIPLES = 0.93
"""The same with what lies at its multiples."""

STANDS_CENTS = 1.5
STANDS_S = 0.5
"""It must stand still for so long. In two hours of recorded music, speech and sampled instruments,
made so loud that it clipped by 6 dB, nothing did for longer than 0.4 s."""

TOLD_EVERY_S = 1.0
"""While it lasts: a ring of the same frequency may only just have been told as over."""

LOBE = (-2, -1, 0, 1, 2)
MULTIPLES = np.arange(2, 9)

RISE_LOOKS = 3
SAME_PLACE_BINS = 0.25
LEAST_GROWTH_DB_PER_S = 5.0
"""What rose more slowly while the memory reaches back had already arrived: growth unknown."""


class Overdriven:
    """Watch for inputs that are driven to their end stop by one steady tone.

    Parameters
    ----------
    memory : SpectrumMemory
        The past of the frames that are looked at.
    first_bin, last_bin : int
        Where a ring may lie, inclusive.
    """

    def __init__(self, memory: SpectrumMemory, first_bin: int, last_bin: int) -> None:
        self._memory = memory
        self._first, self._last = first_bin, last_bin
        self._place = np.zeros(memory.channels, np.float32)  # bins
        self._hops = np.full(memory.channels, -1, np.intp)  # stood still for so many; -1: nothing

    def look(self, now: Now, at_end_stop: NDArray[np.bool_]) -> Verdict | None:
        """Return the tones that have just stood for `STANDS_S`, or again `TOLD_EVERY_S` longer.

        Parameters
        ----------
        now : Now
            The newest frame.
        at_end_stop : ndarray of bool, shape (channels,)
            Inputs whose sample peak is at full scale; the others are not looked at.

        Returns
        -------
        Verdict or None
            Growth is NaN where the rise is no longer in the memory.
        """
        self._hops[~at_end_stop] = -1
        ch = np.flatnonzero(at_end_stop)
        if not len(ch):
            return None
        bins = now.power[ch, self._first : self._last + 1].argmax(axis=1) + self._first
        offset, level = locate(*(now.power[ch, bins + k] for k in (-1, 0, 1)))
        place = (bins + offset).astype(np.float32)
        alone = self._is_alone(now, ch, place, level)
        still = np.abs(place - self._place[ch]) <= place * (2 ** (STANDS_CENTS / 1200) - 1)
        hops = np.where(alone & still & (self._hops[ch] >= 0), self._hops[ch] + 1, 0)
        self._place[ch] = np.where(hops == 0, place, self._place[ch])
        self._hops[ch] = np.where(alone, hops, -1)
        due = self._is_due(self._hops[ch])
        return self._told(now, ch[due], bins[due], place[due]) if due.any() else None

    def _is_alone(
        self, now: Now, ch: NDArray[np.intp], place: Figures, level_dbfs: Figures
    ) -> NDArray[np.bool_]:
        total = np.maximum(now.total[ch], FLOOR_POWER)
        # A tone of amplitude A spreads 1.5 A^2 over the bins of a Hann spectrum.
        own = np.float32(1.5) * 10 ** (level_dbfs / np.float32(10))
        multiples = np.rint(place[:, None] * MULTIPLES).astype(np.intp) % now.frame_length
        folded = np.minimum(multiples, now.frame_length - multiples)  # by the clipped converter
        lobes = np.clip(folded, 2, now.power.shape[1] - 3)[:, :, None] + np.array(LOBE)
        beside = now.power[ch[:, None, None], lobes].sum(axis=(1, 2))
        alone = (own >= LEAST_SHARE * total) & (own + beside >= LEAST_WITH_MULTIPLES * total)
        return np.asarray(alone)

    def _is_due(self, hops: NDArray[np.intp]) -> NDArray[np.bool_]:
        first = int(np.ceil(STANDS_S / self._memory.hop_s))
        again = int(np.ceil(TOLD_EVERY_S / self._memory.hop_s))
        return np.asarray((hops >= first) & ((hops - first) % again == 0))

    def _told(
        self, now: Now, ch: NDArray[np.intp], bins: NDArray[np.intp], place: Figures
    ) -> Verdict:
        certain = np.full(len(ch), np.inf, np.float32)
        duration = np.full(len(ch), STANDS_S, np.float32)
        lingers = np.zeros(len(ch), bool)
        return Verdict(ch, bins, place, certain, self._growth(now, ch, bins), duration, lingers)

    def _growth(self, now: Now, ch: NDArray[np.intp], bins: NDArray[np.intp]) -> Figures:
        """Return the steepest rise of the line, at its place, in the memory, dB/s, or NaN."""
        memory = self._memory
        tracks = look_back(now, memory, ch, bins, np.ones(len(ch), np.intp), memory.frames)
        level, off = tracks.level_dbfs, np.abs(tracks.position - tracks.position[:, -1:])
        there = (tracks.present > 0) & (off < SAME_PLACE_BINS)
        rise = level[:, RISE_LOOKS:] - level[:, :-RISE_LOOKS]
        rise = np.where(there[:, RISE_LOOKS:] & there[:, :-RISE_LOOKS], rise, 0)
        steepest = rise.max(axis=1) / np.float32(RISE_LOOKS * memory.hop_s)
        return np.where(steepest >= LEAST_GROWTH_DB_PER_S, steepest, np.nan).astype(np.float32)
