"""A tone that is all there is, and stands still: a howl that has arrived.

A word, a note or another ring may hide how a ring rises, or it may have risen before anybody
listened; what it ends in cannot be hidden. Where one line and its multiples (a clipped tone has
them) are all there is on a channel and stand to a cent or two, there is a howl or a lone,
unmoved tone: a test tone, a synthesiser. At the end stop of the input it is hardly ever played.
"""

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.loudest_line import Lines
from prehowl.detectors.memory import SpectrumMemory
from prehowl.detectors.steadiness import still_bins
from prehowl.detectors.telling import Telling
from prehowl.detectors.tracks import SAME_PLACE_BINS, Figures, Now, look_back
from prehowl.detectors.verdict import SUSPECT_FROM, Standing, Verdict

LEAST_SHARE = 0.7
"""Share of the channel's power in the line; a square wave's fundamental has 0.81 (8 / pi^2)."""

LEAST_WITH_MULTIPLES = 0.93
"""The same with what lies at its multiples."""

MOST_CENTS, MOST_FALL_DB = 1.5, 2.0
"""What stands still moves (see `still_bins`) and falls no more than this."""

FULL_SCALE_DBFS = -2.0
"""Sample peak of an input at its end stop; between its crests a low tone falls by a decibel."""

AT_END_STOP_S = 0.5
"""An alarm, at the end stop. In two hours of recorded music, speech and sampled instruments, made
so loud that it clipped by 6 dB, nothing stood for longer than 0.4 s."""

STANDS_S = 1.5
"""A suspect, below the end stop: a howl that a limiter holds, or a tone that somebody plays."""

STANDING_SUSPICION = np.float32(SUSPECT_FROM + 0.05)

LEAST_GROWTH_DB, MOST_GROWTH_DB = 1.0, 22.0
"""In a frame: less is none, and more is the window's skirt over what came at once."""


class LoneTones:
    """Watch for channels on which one tone stands, and nothing else is to be heard.

    Parameters
    ----------
    memory : SpectrumMemory
        The past of the frames that are looked at.
    look_s : float
        Time from one look to the next.
    """

    def __init__(self, memory: SpectrumMemory, look_s: float) -> None:
        self._memory, self._look_s = memory, look_s
        channels = memory.channels
        self._place, self._top = np.zeros((2, channels), np.float32)  # bins, dBFS
        self._stood = np.full(channels, -1, np.intp)  # for so many looks; -1: no tone
        self._full = np.zeros(channels, np.intp)  # of these, the last at the end stop
        self._telling = Telling(channels, look_s)

    def look(self, now: Now, lines: Lines, at_end_stop: NDArray[np.bool_]) -> Standing | None:
        """Take one frame; return what is new, and what stands since it was last told.

        Parameters
        ----------
        now : Now
        lines : Lines
            The loudest of that frame.
        at_end_stop : ndarray of bool, shape (channels,)
            Inputs whose sample peak is at full scale.
        """
        alone = (lines.share >= LEAST_SHARE) & (lines.with_multiples >= LEAST_WITH_MULTIPLES)
        lines = lines.only(alone)
        ch, bins, place, level = lines.ch, lines.bin, lines.place, lines.level_dbfs
        gone = np.ones(len(self._stood), bool)
        gone[ch] = False
        self._stood[gone] = -1
        if not len(ch):
            return None
        self._follow(ch, place, level, at_end_stop[ch])
        suspicion = self._suspicion(ch)
        due = self._telling.due(ch, suspicion)
        if not due.any():
            return None
        ch, bins, place, suspicion = ch[due], bins[due], place[due], suspicion[due]
        duration = (self._stood[ch] * self._look_s).astype(np.float32)
        growth = self._growth(now, ch, bins)
        odds = np.full(len(ch), np.nan, np.float32)  # of no rise
        return Standing(Verdict(ch, bins, place, odds, growth, duration, suspicion < 1), suspicion)

    def _looks(self, seconds: float) -> int:
        return int(np.ceil(seconds / self._look_s))

    def _follow(
        self, ch: NDArray[np.intp], place: Figures, level: Figures, is_full: NDArray[np.bool_]
    ) -> None:
        still = np.abs(place - self._place[ch]) <= still_bins(place, MOST_CENTS)
        goes_on = still & (level > self._top[ch] - MOST_FALL_DB) & (self._stood[ch] >= 0)
        begins = ch[~goes_on]
        self._stood[ch] = np.where(goes_on, self._stood[ch] + 1, 0)
        self._place[begins] = place[~goes_on]
        self._full[begins] = 0
        self._telling.begin(begins)
        self._top[ch] = np.where(goes_on, np.maximum(self._top[ch], level), level)
        self._full[ch] = np.where(is_full, self._full[ch] + 1, 0)

    def _suspicion(self, ch: NDArray[np.intp]) -> Figures:
        stood = self._stood[ch] >= self._looks(STANDS_S)
        is_alarm = self._full[ch] > self._looks(AT_END_STOP_S)
        return np.where(is_alarm, np.float32(1), np.where(stood, STANDING_SUSPICION, 0))

    def _growth(self, now: Now, ch: NDArray[np.intp], bins: NDArray[np.intp]) -> Figures:
        """Return the steepest straight rise over a frame in the memory, dB/s, or NaN."""
        memory = self._memory
        tracks = look_back(now, memory, ch, bins, np.ones(len(ch), np.intp), memory.frames)
        level, off = tracks.level_dbfs, np.abs(tracks.position - tracks.position[:, -1:])
        there = (tracks.present > 0) & (off < SAME_PLACE_BINS)
        half = round(0.5 / (now.bin_hz * memory.hop_s))  # a frame lasts 1 / bin_hz
        whole = 2 * half
        rise = level[:, whole:] - level[:, :-whole]
        late = level[:, whole:] - level[:, half:-half]
        good = there[:, whole:] & there[:, half:-half] & there[:, :-whole]
        good &= (rise >= LEAST_GROWTH_DB) & (rise <= MOST_GROWTH_DB)
        good &= (late >= 0.35 * rise) & (late <= 0.65 * rise)
        steepest = np.where(good, rise, -np.inf).max(axis=1)
        growth = steepest / np.float32(whole * memory.hop_s)
        return np.where(np.isfinite(growth), growth, np.nan).astype(np.float32)
