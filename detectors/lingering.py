"""See a loop that is near its limit before anything grows: a line that lingers.

Just under its limit a loop answers every sound at its own frequency with a tail: one narrow line
that always comes back to the same place, and falls as fast as the margin says. At its limit the
line stays, under all that is sung, and is all that is left in each pause. In the long-term
spectrum of a voice or of noise it stands alone. Held notes look alike for a few seconds, so this
evidence makes a suspect and never an alarm.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.lingering_signals import SIGNALS, signals_of
from prehowl.detectors.lingering_weights import BIAS, NEPERS_PER_E_FOLD, QUESTIONS, SUSPECT_AT
from prehowl.detectors.longterm import FAST_S, QUIETEST_LINE_DB, LongTerm, LongTermSpectrum
from prehowl.detectors.memory import SpectrumMemory
from prehowl.detectors.peaks import locate
from prehowl.detectors.spectrum import decibels
from prehowl.detectors.tracks import Figures, Now, Tracks, look_back
from prehowl.detectors.trees import Trees
from prehowl.detectors.verdict import SUSPECT_FROM, Verdict, level_for

QUIETEST_CANDIDATE_DB = -36.0
"""Against the channel's long-term power: what is quieter nobody hears linger."""

BELOW_STRONGEST_DB = 12.0
"""So far under the strongest line of the channel hardly a held loop is suspected; half of the lines
are so weak, and a look at one costs the most."""

STOPPED_DB = 20.0
"""A reference so far under its mean has stopped; its lines stand in the mean for a minute."""

LEAST_FALL_DB = 3.0
"""A line that has not come down by so much since it was loudest stands; that it dips now and then,
for what is played beside it, says nothing of a loop."""

PER_NEPER, MOST_SUSPICION = 0.2, 0.95
"""Suspicion that a neper adds, and where it ends."""

TREES = Trees.from_rows(QUESTIONS, BIAS, tuple(SIGNALS))


@dataclass(frozen=True, slots=True)
class Lines:
    """Lines of the fast mean with what is asked about them."""

    ch: NDArray[np.intp]  # (lines,)
    bin: NDArray[np.intp]  # (lines,)
    signals: Figures  # (lines, signals), in the order of `SIGNALS`
    place: Figures  # (lines,) of the line in the mean, in bins
    has_fallen: NDArray[np.bool_]  # (lines,) since it was loudest

    @property
    def fall_db_per_s(self) -> Figures:
        """Mean speed at which each line falls when it falls; 0 where it never does."""
        fall = self.signals[:, list(SIGNALS).index("fall")]
        return np.where(self.has_fallen, fall, np.float32(0))


class Survey:
    """Keep the long-term spectrum of one resolution and look through it now and then.

    Parameters
    ----------
    memory : SpectrumMemory
        The slow past of the resolution; a spectrum is taken in whenever that gets one.
    first_bin, last_bin : int
        Where lines are counted, inclusive.
    candidates : (int, int)
        Where lines that linger are looked for, inclusive: the rest is another resolution's.
    is_reference : ndarray of bool, shape (channels,)
        Channels that cannot be in a loop: a line there is music everywhere.
    """

    def __init__(
        self,
        memory: SpectrumMemory,
        first_bin: int,
        last_bin: int,
        candidates: tuple[int, int],
        is_reference: NDArray[np.bool_],
    ) -> None:
        self._memory = memory
        self._means = LongTerm(memory.channels, memory.bins, memory.hop_s, first_bin, last_bin)
        self._is_reference = is_reference
        self._candidates = slice(candidates[0], candidates[1] + 1)
        self.first_candidate = candidates[0]
        self._fast: LongTermSpectrum | None = None
        self.usual: LongTermSpectrum | None = None  # the slow mean when it was last read

    def add(self, power: Figures, total: Figures) -> None:
        """Take in the spectrum, and its sum, that the slow past has just got."""
        self._means.add(power, total)

    def renew(self) -> None:
        """Read the means as they stand now."""
        self._fast, self.usual = self._means.read()

    def look(self, now: Now) -> Verdict:
        """Return the lines of the means as last read, and how surely each lingers."""
        found = self.candidates(now)
        odds = TREES.sums(found.signals)
        duration = np.full(len(odds), FAST_S, np.float32)
        lingers = np.ones(len(odds), bool)
        fall = found.fall_db_per_s
        growth = np.where(fall > 0, -fall, np.nan).astype(np.float32)  # not known without a fall
        return Verdict(found.ch, found.bin, found.place, odds, growth, duration, lingers)

    def candidates(self, now: Now) -> Lines:
        """Return the lines of the means as last read that might linger."""
        fast, usual = self._fast, self.usual
        if fast is None or usual is None:
            raise ValueError("the means were never read; call renew() first")
        is_line, relative = fast.is_line[:, self._candidates], fast.relative_db[:, self._candidates]
        strongest = np.where(is_line, relative, QUIETEST_LINE_DB).max(axis=1)
        least = np.maximum(strongest - BELOW_STRONGEST_DB, QUIETEST_CANDIDATE_DB)
        is_candidate = is_line & (relative >= least[:, None])
        if self._is_reference.any():
            music = self._lines_of_references(now, fast)[self._candidates]
            is_candidate &= ~music & ~self._is_reference[:, None]
        ch, bins = np.nonzero(is_candidate)
        bins += self._candidates.start
        looks = self._memory.frames - 1
        tracks = look_back(now, self._memory, ch, bins, np.ones(len(ch), np.intp), looks)
        signals = signals_of(tracks, fast, usual, self._memory)
        ten = np.float32(10)
        around = (ten ** (fast.level_dbfs[ch, bins + k] / ten) for k in (-1, 0, 1))
        place = (bins + locate(*around)[0]).astype(np.float32)
        return Lines(ch, bins, signals, place, _has_fallen(tracks))

    def _lines_of_references(self, now: Now, fast: LongTermSpectrum) -> NDArray[np.bool_]:
        """Return where, to the bin, a reference that is to be heard now has a line."""
        heard = self._is_reference & (decibels(now.total) > fast.total_dbfs - STOPPED_DB)
        music: NDArray[np.bool_] = fast.is_line[heard].max(axis=0, initial=False)
        music[1:-1] |= music[:-2] | music[2:]
        return music


def suspicion_of(odds: Figures, sensitivity: Figures) -> Figures:
    """Return the suspicion, `SUSPECT_FROM` at the level of a suspect, never enough for an alarm.

    Parameters
    ----------
    odds : ndarray, shape (lines,)
        Nepers.
    sensitivity : ndarray, shape (lines,)
        > 0; 2 lets about twice as many false suspects through as 1.
    """
    over = odds - level_for(sensitivity, SUSPECT_AT, NEPERS_PER_E_FOLD)
    share = np.clip(SUSPECT_FROM + PER_NEPER * over, 0, MOST_SUSPICION)
    return np.asarray(share, np.float32)


def _has_fallen(tracks: Tracks) -> NDArray[np.bool_]:
    """Tell which lines have come down since they were loudest."""
    level = tracks.level_dbfs
    if not len(level):
        return np.zeros(0, bool)
    loudest = level.argmax(axis=1)
    since = np.arange(level.shape[1]) >= loudest[:, None]
    lowest = np.where(since, level, np.inf).min(axis=1)
    return np.asarray(level.max(axis=1) - lowest >= LEAST_FALL_DB)
