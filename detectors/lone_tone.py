"""A tone that is all there is, and stands still: a howl that has arrived.

A word, a note or another ring may hide how a ring rises, or it may have risen before anybody
listened; what it ends in cannot be hidden. Where one line and its multiples (a clipped tone has
them) are all there is on a channel and stand to a cent or two, there is a howl or a lone,
unmoved tone: a test tone, a synthesiser. At the end stop of the input it is hardly ever played.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.bands import share_of
from prehowl.detectors.memory import SpectrumMemory
from prehowl.detectors.peaks import locate
from prehowl.detectors.spectrum import FLOOR_POWER, tone_power
from prehowl.detectors.tracks import SAME_PLACE_BINS, Figures, Now, look_back
from prehowl.detectors.verdict import SUSPECT_FROM, Verdict

LEAST_SHARE = 0.7
"""Share of the channel's power in the line; a square wave's fundamental has 0.81 (8 / pi^2)."""

LEAST_WITH_MULTIPLES = 0.93
"""The same with what lies at its multiples."""

QUIETEST_DBFS = -40.0
"""Hum on an open channel is quieter, and would stand as a suspect all day."""

MOST_CENTS, MOST_FALL_DB = 1.5, 2.0
"""What stands still moves and falls no more than this."""

FULL_SCALE_DBFS = -2.0
"""Sample peak of an input at its end stop; between its crests a low tone falls by a decibel."""

AT_END_STOP_S = 0.5
"""An alarm, at the end stop. In two hours of recorded music, speech and sampled instruments, made
so loud that it clipped by 6 dB, nothing stood for longer than 0.4 s."""

STANDS_S = 1.5
"""A suspect, below the end stop: a howl that a limiter holds, or a tone that somebody plays."""

TOLD_EVERY_S = 1.0
"""While it lasts: a ring of the same frequency may only just have been told as over."""

STANDING_SUSPICION = np.float32(SUSPECT_FROM + 0.05)

REFERENCE_SHARE = 0.03
"""A line with so much of a reference's power stands out there."""

LOBE = np.array([-2, -1, 0, 1, 2])
MULTIPLES = np.arange(2, 9)
SCALLOPING = np.float32(1.39)
"""A tone between two bins has so much more power than the higher of them shows."""

LEAST_GROWTH_DB, MOST_GROWTH_DB = 1.0, 22.0
"""In a frame: less is none, and more is the window's skirt over what came at once."""


@dataclass(frozen=True, slots=True)
class Standing:
    """The tones that are to be told now."""

    verdict: Verdict  # growth is NaN where no rise is in the memory; an alarm's does not linger
    suspicion: Figures  # (places,) 1 for an alarm


class LoneTones:
    """Watch for channels on which one tone stands, and nothing else is to be heard.

    Parameters
    ----------
    memory : SpectrumMemory
        The past of the frames that are looked at.
    look_s : float
        Time from one look to the next.
    first_bin, last_bin : int
        Where a ring may lie, inclusive.
    is_reference : ndarray of bool, shape (channels,)
        Channels that cannot be in a loop; a tone that stands out there, too, is music.
    """

    def __init__(
        self,
        memory: SpectrumMemory,
        look_s: float,
        first_bin: int,
        last_bin: int,
        is_reference: NDArray[np.bool_],
    ) -> None:
        self._memory, self._look_s = memory, look_s
        self._is_reference = is_reference
        self._bins = slice(first_bin, last_bin + 1)
        channels = memory.channels
        self._place, self._top = np.zeros((2, channels), np.float32)  # bins, dBFS
        self._stood = np.full(channels, -1, np.intp)  # for so many looks; -1: no tone
        self._full = np.zeros(channels, np.intp)  # of these, the last at the end stop
        self._told = np.zeros(channels, np.float32)  # suspicion
        self._told_at = np.zeros(channels, np.intp)  # looks

    def look(self, now: Now, at_end_stop: NDArray[np.bool_]) -> Standing | None:
        """Take one frame; return what is new, and what stands since it was last told.

        Parameters
        ----------
        now : Now
        at_end_stop : ndarray of bool, shape (channels,)
            Inputs whose sample peak is at full scale.
        """
        ch, bins, place, level = self._alone(now)
        gone = np.ones(len(self._stood), bool)
        gone[ch] = False
        self._stood[gone] = -1
        if not len(ch):
            return None
        self._follow(ch, place, level, at_end_stop[ch])
        suspicion = self._suspicion(ch)
        again = self._stood[ch] - self._told_at[ch] >= self._looks(TOLD_EVERY_S)
        due = (suspicion > 0) & ((suspicion > self._told[ch]) | again)
        if not due.any():
            return None
        ch, bins, place, suspicion = ch[due], bins[due], place[due], suspicion[due]
        self._told[ch], self._told_at[ch] = suspicion, self._stood[ch]
        duration = (self._stood[ch] * self._look_s).astype(np.float32)
        growth = self._growth(now, ch, bins)
        odds = np.full(len(ch), np.nan, np.float32)  # of no rise
        return Standing(Verdict(ch, bins, place, odds, growth, duration, suspicion < 1), suspicion)

    def _looks(self, seconds: float) -> int:
        return int(np.ceil(seconds / self._look_s))

    def _alone(self, now: Now) -> tuple[NDArray[np.intp], NDArray[np.intp], Figures, Figures]:
        """Return channels on which one tone is all there is: bin, place and level of it."""
        total = np.maximum(now.total, FLOOR_POWER)
        searched = now.power[:, self._bins]
        least = np.float32(LEAST_SHARE / (1.5 * SCALLOPING))
        ch = np.flatnonzero((searched.max(axis=1) >= least * total) & ~self._is_reference)
        bins = searched[ch].argmax(axis=1) + self._bins.start
        offset, level = locate(*(now.power[ch, bins + k] for k in (-1, 0, 1)))
        place = (bins + offset).astype(np.float32)
        alone = (tone_power(level) >= LEAST_SHARE * total[ch]) & (level >= QUIETEST_DBFS)
        alone &= self._with_multiples(now, ch, place) >= LEAST_WITH_MULTIPLES * total[ch]
        alone &= ~stands_in_a_reference(now, bins, self._is_reference)
        return ch[alone], bins[alone], place[alone], level[alone]

    def _with_multiples(self, now: Now, ch: NDArray[np.intp], place: Figures) -> Figures:
        """Return the power at the line and its multiples, each bin once."""
        orders = np.concatenate([[1], MULTIPLES])
        at = np.rint(place[:, None] * orders).astype(np.intp) % now.frame_length
        folded = np.minimum(at, now.frame_length - at)  # by the clipped converter
        lobes = np.clip(folded[:, :, None] + LOBE, 0, now.power.shape[1] - 1)
        mine = np.zeros((len(ch), now.power.shape[1]), bool)
        mine[np.arange(len(ch))[:, None, None], lobes] = True
        return np.asarray((now.power[ch] * mine).sum(axis=1))

    def _follow(
        self, ch: NDArray[np.intp], place: Figures, level: Figures, is_full: NDArray[np.bool_]
    ) -> None:
        still = np.abs(place - self._place[ch]) <= place * share_of(MOST_CENTS)
        goes_on = still & (level > self._top[ch] - MOST_FALL_DB) & (self._stood[ch] >= 0)
        begins = ch[~goes_on]
        self._stood[ch] = np.where(goes_on, self._stood[ch] + 1, 0)
        self._place[begins] = place[~goes_on]
        self._told[begins] = self._told_at[begins] = self._full[begins] = 0
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
