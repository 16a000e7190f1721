"""A line that stands like a rock among what is played: a howl whose rise nobody could see.

A note at its place hid how it rose, or a limiter caught it; what goes on beside it comes and goes,
and hides it, and it does not move by a cent. No note that is played does that for seconds, least
of all louder than all else on its channel; what does is a tone by itself (`lone_tone`), or hum,
which has always been there.
"""

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.background import Background
from prehowl.detectors.lone_tone import (
    LEAST_WITH_MULTIPLES,
    MOST_FALL_DB,
    STANDING_SUSPICION,
)
from prehowl.detectors.loudest_line import Lines, stands_in_a_reference
from prehowl.detectors.spectrum import tone_power
from prehowl.detectors.steadiness import still_bins
from prehowl.detectors.telling import Telling
from prehowl.detectors.tracks import Figures, Now
from prehowl.detectors.verdict import Standing, Verdict

STANDING_SHARE = 0.4
"""Share of the channel's power in the line; in a look with less it is not seen."""

WHOLE_SHARE = 0.6
"""A look in which it has so much counts as one, and as less where it has less."""

SUSPECT_S = 2.0
"""A suspect when it was seen for so long; in three hours of recorded music none was for longer than
1.2 s."""

OTHERS = ((LEAST_WITH_MULTIPLES, 4.0), (0.97, 6.0))
"""It is no lone tone while it and its multiples have less than such a share of the power, and an
alarm when it was seen for so many seconds; the less there is beside it, the more is played so. In
7.5 hours of howl-free sound of the tune and check splits, music, speech, sampled instruments and
what is made to fool, the longest were 3.6 s (sampled winds) but for made guitars that clip hard, of
which three were alarmed."""

MISSED_S = 1.0
"""A word or a hit that drowns it hides it for no longer, nor for longer than it was seen before."""

GONE_DB, GONE_LOOKS = 6.0, 1
"""Where its place is so far under its level, it is not hidden but gone; what hides it may cancel it
for one look. Notes that are struck again are gone between."""

MOST_SAGS = 0.1
"""Share of the looks in which it may be lower than what stands may fall, but not gone: what is
played with it feeds it and turns a limiter. Notes that are struck again, and beats, sag longer."""

LEAST_SEEN = 0.3
"""Share of the looks in which it was seen: between words, and under soft ones."""

LEAST_AMONG = 0.75
"""Share of those looks in which others were heard beside it."""

WORD_SHARE, LEAST_WORDS, WORDS_MEMORY_S = 0.7, 2.0, 8.0
"""Or words, hits or notes came and went, each with the rest of the power, and it stayed: all that
is left in each pause. They are forgotten with this time constant, so that it takes three."""

OVER_FOLLOW = 0.25
"""Share of the way that its level follows what is over it: a note upon it makes it louder, too."""

STRAY_CENTS, STRAY_BINS = 5.0, 0.12
"""One look may see it so far off its mean place (the wider of these)."""

SPREAD_CENTS, SPREAD_BINS = 1.5, 0.05
"""Over all of them it stands still to the wider of these (standard deviation)."""

OTHERS_MEMORY_S = 3.0
"""Time constant of the share of looks in which others were heard: a howl that came in a pause has
been alone for long when the show goes on."""

NEW_DB = 6.0
"""So much louder it is, when it begins, than its place was in the long run (12 s): what has always
been there is not."""

REMEMBERED_S = 60.0
"""For so long after it was last seen a line that begins again at its place is held against what was
there before it first came: by now it is itself what the long run holds."""

MAINS_HZ = (50.0, 60.0)
MAINS_ORDERS = np.arange(1, 7)
MAINS_WIDTH_HZ = 1.5
"""A line so near to the mains' first multiples may be hum that was plugged in, whose other partials
are the others beside it: it stays a suspect."""


class StandingLines:
    """Watch for lines that stand among others, one a channel.

    Parameters
    ----------
    channels : int
    look_s : float
        Time from one look to the next.
    background : Background
        What was known of their places before.
    is_reference : ndarray of bool, shape (channels,)
        Channels that cannot be in a loop: a line that stands out there is music.
    """

    def __init__(
        self,
        channels: int,
        look_s: float,
        background: Background,
        is_reference: NDArray[np.bool_],
    ) -> None:
        self._look_s, self._background, self._is_reference = look_s, background, is_reference
        self._missed = round(MISSED_S / look_s)  # looks
        self._number = 0  # of the look
        self._first, self._top = np.zeros((2, channels), np.float32)  # place in bins; dBFS
        self._off, self._off_squared = np.zeros((2, channels))  # summed, from the first place
        self._since = np.zeros(channels, np.intp)  # look at which each began
        self._last = np.full(channels, -self._missed - 2, np.intp)  # look at which it was seen
        self._seen = np.zeros(channels, np.intp)  # in so many looks
        self._gone = np.zeros(channels, np.intp)  # from its place, for so many looks until now
        self._sags = np.zeros(channels, np.intp)  # looks
        self._has_ended = np.zeros(channels, bool)
        self._stood = np.zeros(channels, np.float32)  # looks that count as one
        self._among = np.zeros((len(OTHERS), channels))  # share of the last looks beside others
        self._is_word = np.zeros(channels, bool)  # in the last look
        self._words = np.zeros(channels, np.float32)
        self._before = np.full(channels, np.inf, np.float32)  # dBFS at its place; inf: unknown
        self._is_new = np.zeros(channels, bool)
        self._telling = Telling(channels, look_s)

    def look(self, now: Now, lines: Lines, may_alarm: NDArray[np.bool_]) -> Standing | None:
        """Take the loudest lines of one frame; return those that are to be told.

        Parameters
        ----------
        now : Now
        lines : Lines
            The loudest of that frame.
        may_alarm : ndarray of bool, shape (channels,)
            Where a line is an alarm, and no more than a suspect elsewhere.
        """
        self._number += 1
        self._gone = np.where(self._is_gone(now), self._gone + 1, 0)
        self._has_ended |= self._gone > GONE_LOOKS
        if self._is_reference.any():
            bins = np.rint(self._place()).astype(np.intp)
            self._has_ended |= stands_in_a_reference(now, bins, self._is_reference)
        loudest, lines = lines, lines.only(~self._tells_nothing(lines))
        self._follow(now, lines)
        self._count_words(now, loudest)
        is_hum = _is_near_mains(lines.place * now.bin_hz)
        suspicion = self._suspicion(lines.ch, may_alarm[lines.ch] & ~is_hum)
        due = self._telling.due(lines.ch, suspicion)
        if not due.any():
            return None
        found, suspicion = lines.only(due), suspicion[due]
        unknown = np.full(len(found.ch), np.nan, np.float32)
        duration = ((self._number - self._since[found.ch]) * self._look_s).astype(np.float32)
        is_suspect = suspicion < 1
        verdict = Verdict(found.ch, found.bin, found.place, unknown, unknown, duration, is_suspect)
        return Standing(verdict, suspicion)

    def _suspicion(self, ch: NDArray[np.intp], may_alarm: NDArray[np.bool_]) -> Figures:
        lasted, seen = self._number - self._since[ch], np.maximum(self._seen[ch], 1)
        stood_s = self._stood[ch] * self._look_s
        mean = self._off[ch] / seen
        spread = np.sqrt(np.maximum(self._off_squared[ch] / seen - mean**2, 0))
        stands = self._is_new[ch] & (seen >= LEAST_SEEN * (lasted + 1))
        stands &= spread <= still_bins(self._place()[ch], SPREAD_CENTS, SPREAD_BINS)
        beside = stands & (self._among[:, ch] >= LEAST_AMONG)
        needed_s = np.array([seconds for _, seconds in OTHERS])[:, None]
        beside[0] |= stands & (self._words[ch] >= LEAST_WORDS)
        is_alarm = (beside & (stood_s > needed_s)).any(axis=0)
        is_suspect = beside.any(axis=0) & (stood_s > SUSPECT_S)
        suspicion = np.where(is_suspect, STANDING_SUSPICION, np.float32(0))
        return np.where(is_alarm & may_alarm, np.float32(1), suspicion)

    def _tells_nothing(self, lines: Lines) -> NDArray[np.bool_]:
        """Tell which lines may hide one that was seen lately elsewhere, or are one that sags."""
        ch, is_there = lines.ch, self._is_there(lines)
        sags = is_there & (lines.level_dbfs <= self._top[ch] - np.float32(MOST_FALL_DB))
        self._sags[ch] += sags
        self._has_ended[ch] |= sags & (self._sags[ch] > 1 + MOST_SAGS * self._seen[ch])
        return np.asarray(self._may_be_back(ch) & (~is_there | sags))

    def _is_gone(self, now: Now) -> NDArray[np.bool_]:
        """Tell for all channels whether too little is left at the place of the line."""
        bins = np.clip(np.rint(self._place()).astype(np.intp), 1, now.power.shape[1] - 2)
        lobe = now.power[np.arange(len(bins))[:, None], bins[:, None] + np.array([-1, 0, 1])]
        return np.asarray(lobe.sum(axis=1) < tone_power(self._top - np.float32(GONE_DB)))

    def _may_be_back(self, ch: NDArray[np.intp]) -> NDArray[np.bool_]:
        missed = self._number - self._last[ch] - 1
        is_hidden = missed <= np.minimum(self._missed, self._seen[ch] + GONE_LOOKS)
        return np.asarray(is_hidden & ~self._has_ended[ch])

    def _place(self) -> NDArray[np.float64]:
        """Return the mean place of every channel's line, in bins."""
        return np.asarray(self._first + self._off / np.maximum(self._seen, 1))

    def _is_there(self, lines: Lines) -> NDArray[np.bool_]:
        """Tell which lines lie where their channel's was."""
        mean = self._place()[lines.ch]
        return np.abs(lines.place - mean) <= still_bins(mean, STRAY_CENTS, STRAY_BINS)

    def _follow(self, now: Now, lines: Lines) -> None:
        ch, place, level = lines.ch, lines.place, lines.level_dbfs
        goes_on = self._may_be_back(ch)  # what lies elsewhere was left out
        away_s = (self._number - self._last[ch]) * self._look_s
        is_again = self._is_there(lines) & (away_s < REMEMBERED_S)
        self._before[ch[~is_again]] = self._usual(now, lines.only(~is_again))
        begins = ch[~goes_on]
        self._since[begins] = self._number
        self._first[begins] = place[~goes_on]
        self._is_new[begins] = level[~goes_on] >= self._before[begins] + NEW_DB
        self._seen[begins] = self._among[:, begins] = 0
        self._off[begins] = self._off_squared[begins] = 0
        self._telling.begin(begins)
        self._stood[begins] = self._words[begins] = self._gone[begins] = self._sags[begins] = 0
        self._has_ended[begins] = False
        over = np.maximum(level - self._top[ch], 0)
        self._top[ch] = np.where(goes_on, self._top[ch] + np.float32(OVER_FOLLOW) * over, level)
        self._last[ch] = self._number
        self._seen[ch] += 1
        self._stood[ch] += np.minimum(lines.share / np.float32(WHOLE_SHARE), 1)
        off = place - self._first[ch]
        self._off[ch] += off
        self._off_squared[ch] += off**2
        step = np.maximum(self._look_s / OTHERS_MEMORY_S, 1 / self._seen[ch])
        for among, (share, _) in zip(self._among, OTHERS, strict=True):
            among[ch] += step * ((lines.with_multiples < share) - among[ch])

    def _count_words(self, now: Now, lines: Lines) -> None:
        is_word = self._gone == 0  # it is hidden, where it is not the loudest of all
        there = lines.only(self._is_there(lines))
        is_word[there.ch] = there.with_multiples < WORD_SHARE
        is_word &= now.total >= tone_power(self._top)  # lost blocks are no words
        self._words *= np.float32(1 - self._look_s / WORDS_MEMORY_S)
        self._words += is_word & ~self._is_word
        self._is_word = is_word

    def _usual(self, now: Now, lines: Lines) -> Figures:
        """Return the level at some places in the long run, dBFS; infinite where it is not known."""
        frequency: Figures = lines.place * np.float32(now.bin_hz)
        usual = self._background.at(lines.ch, frequency)
        return np.where(usual.is_known, usual.level_dbfs, np.float32(np.inf))


def _is_near_mains(frequency_hz: Figures) -> NDArray[np.bool_]:
    mains = np.outer(MAINS_HZ, MAINS_ORDERS).reshape(-1)
    return np.asarray((np.abs(frequency_hz[:, None] - mains) < MAINS_WIDTH_HZ).any(axis=1))
