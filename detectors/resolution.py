"""One time-frequency resolution: frames of one length through spectra, peaks and rises."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.background import Background
from prehowl.detectors.bands import band_index
from prehowl.detectors.belief import TREES, Belief, log_odds
from prehowl.detectors.climbers import View
from prehowl.detectors.designs import SLOW_STEP, Design
from prehowl.detectors.harmonics import MULTIPLES
from prehowl.detectors.lingering import Survey
from prehowl.detectors.lone_tone import LoneTones
from prehowl.detectors.loudest_line import loudest_lines
from prehowl.detectors.memory import SpectrumMemory
from prehowl.detectors.peaks import find_peaks
from prehowl.detectors.rises import Rising, gather
from prehowl.detectors.spectrum import FLOOR_POWER, Spectra
from prehowl.detectors.standing_line import STANDING_SHARE, StandingLines
from prehowl.detectors.tracks import LOOKS, Figures, Now
from prehowl.detectors.transform import Frames, transform_for
from prehowl.detectors.trees import Trees
from prehowl.detectors.verdict import Standing, Verdict, no_verdict

RECENT_S = 0.6
"""Time constant of the channel's recent power: about the RMS over a second."""

QUIETEST_SHARE = np.float32(10 ** (-30.0 / 10))
"""A bin this far under the channel's power, of this frame or lately, whichever is less, is not
looked at: a ring there is not yet near to anything that anybody hears."""

FIRST_SURVEY_S = 0.6
"""A mean over less says nothing yet."""

RUMBLE_HZ = 30.0
"""What lies lower (wind, handling, an offset) is no part of a channel's power: nobody hears it, and
a howl would seem less than it is beside it. Of short frames that is the lowest bin: the next one
has the bass in it, too."""

STANDING_EVERY = 4
"""Frames from one look for tones that stand to the next: they stand for long."""

EDGE_BINS = 4
"""Room that peaks and their past need at both ends of the spectrum."""


class Resolution:
    """Look for rises in frames of one length; see `Design`.

    Parameters
    ----------
    design : Design
    channels : int
    rate_hz : int
    quantum : int
        Samples of one tick.
    is_reference : ndarray of bool, shape (channels,)
    background : Background
        Where this resolution's survey, if it has one, tells all what it sees.
    trees : Trees
        By which evidence is weighed; others only while they are being fitted.
    ticks_before : int, optional
        If it joins a stream that has come so far: it keeps step with the others, and listens
        without judging until it knows as much of the past as it ever will.
    """

    def __init__(
        self,
        design: Design,
        channels: int,
        rate_hz: int,
        quantum: int,
        is_reference: NDArray[np.bool_],
        background: Background,
        trees: Trees = TREES,
        *,
        ticks_before: int | None = None,
    ) -> None:
        self.design = design
        self.frame_length = int(design.frame_quanta * quantum)
        self.hop_length = int(design.hop_quanta * quantum)
        self.rate_hz = rate_hz
        self.frame_s = self.frame_length / rate_hz
        self.hop_s = self.hop_length / rate_hz
        self.bin_hz = rate_hz / self.frame_length
        self._is_reference = is_reference
        self._first = max(EDGE_BINS, round(design.low_hz / self.bin_hz))
        whole = self.frame_length // 2 + 1
        top = whole - 1 - EDGE_BINS
        self._last = min(top, round(min(design.high_hz, 0.47 * rate_hz) / self.bin_hz))
        # Beyond the highest harmonic of the highest peak nothing is ever looked at. Where that
        # leaves a tenth (long), squares, sums and the memory cost a tenth.
        bins = min(whole, round(max(MULTIPLES) * (self._last + 1)) + EDGE_BINS)
        ticks = -(-((LOOKS - 1) * max(design.steps) + 1) // self.frames_per_tick)
        reach = ticks * self.frames_per_tick  # whole ticks: each is written in one piece
        self.memory = SpectrumMemory(channels, bins, reach, self.hop_s)
        self._slow = self.memory
        if design.slow_steps:
            reach = (LOOKS - 1) * max(design.slow_steps) + 1
            self._slow = SpectrumMemory(channels, bins, reach, SLOW_STEP * self.hop_s)
        self._recent = np.full(channels, FLOOR_POWER, np.float32)
        self._recent_step = np.float32(1 - np.exp(-self.hop_s / RECENT_S))
        lowest = max(1, round(RUMBLE_HZ / self.bin_hz))
        frames = Frames(self.frame_length, self.hop_length, self.frames_per_tick, bins, lowest)
        self._transform = transform_for(channels, rate_hz, frames)
        self._turns = 0 if ticks_before is None else ticks_before // self._period
        self.band = band_index(np.maximum(np.arange(bins), 1) * self.bin_hz)  # of each bin
        self.trees = trees
        self.belief = Belief(channels, bins, trees)
        self._background = background
        self.survey = self._surveyed() if design.lingers_hz else None
        self._standing = self._watched() if design.standing_tones else None
        self._waiting: Now | None = None  # for the survey
        self._lines: Verdict | None = None  # that linger, and were not told yet
        self._listens = ticks_before is not None
        self.hear_only([slice(None)])

    def _surveyed(self) -> Survey:
        low_hz, high_hz = self.design.lingers_hz or (0.0, 0.0)
        first = max(self._first, round(low_hz / self.bin_hz))
        last = min(self._last, round(high_hz / self.bin_hz))
        return Survey(self._slow, self._first, self._last, (first, last), self._is_reference)

    def _watched(self) -> tuple[LoneTones, StandingLines]:
        look_s = STANDING_EVERY * self.hop_s
        among = StandingLines(self.memory.channels, look_s, self._background, self._is_reference)
        return LoneTones(self.memory, look_s), among

    @property
    def reach(self) -> int:
        """How many of the latest samples `spectra` wants."""
        return self._transform.reach

    @property
    def lowest_hz(self) -> float:
        """Lowest frequency looked at."""
        return self._first * self.bin_hz

    @property
    def highest_hz(self) -> float:
        """Highest frequency looked at."""
        return self._last * self.bin_hz

    @property
    def frames_per_tick(self) -> int:
        """How many frames end within one quantum (1 where the hop is longer)."""
        return max(1, round(1 / self.design.hop_quanta))

    def due(self, tick: int) -> bool:
        """Tell whether a frame ends on this tick (counted from 1)."""
        return tick % self._period == 0

    @property
    def _period(self) -> int:
        """Ticks from one at which frames end to the next."""
        return max(1, round(self.design.hop_quanta))

    def spectra(self, samples: NDArray[np.float32]) -> Spectra:
        """Return the spectra that end within the present tick.

        Parameters
        ----------
        samples : ndarray of float32, shape (channels, length)
            The latest samples, newest last; length >= reach.

        Returns
        -------
        Spectra
            Of `frames_per_tick` frames. They stand in the memory already, for `advance`, and are
            valid until the next call.
        """
        room = self.memory.room(self.frames_per_tick)
        return Spectra(room, self._transform.spectra(samples, room))

    def hear_only(self, parts: Sequence[slice]) -> None:
        """Look at these stretches of channels only from now on; the others read silence.

        Without all of them no reference vouches for anything.
        """
        self._transform.hear_only(parts)
        silent = np.zeros_like(self._is_reference)
        self._vouches = self._is_reference if self._transform.hears_all else silent

    def step(self, spectra: Spectra) -> tuple[Now, Verdict]:
        """Take one tick's spectra; return the newest frame and the verdict."""
        glance = self.glance(spectra)
        return glance.now, judge([glance])[0]

    def glance(self, spectra: Spectra) -> "Glance":
        """Take one tick's spectra; return what is there for `judge`."""
        now = self.advance(spectra)
        return Glance(self, now, self.views(now) if self.is_judged else None)

    @property
    def is_judged(self) -> bool:
        """Tell whether the frame just advanced to is one to look for rises in."""
        return not self._listens and self._turns % self.design.every == 0

    def advance(self, spectra: Spectra) -> Now:
        """Remember the spectra of one tick; return the newest."""
        self._turns += 1
        if self._listens:
            memories = (self.memory, self._slow)
            self._listens = any(memory.heard < memory.frames for memory in memories)
        for power, total in zip(spectra.power, spectra.total, strict=True):
            self.memory.add(power, total)
            # A plain mean at first, then one with a memory.
            weight = max(self._recent_step, np.float32(1 / self.memory.heard))
            self._recent += weight * (total - self._recent)
        now = Now(power, total, self._recent.copy(), self.bin_hz, self.frame_length)
        if self._has_slow_news:
            self._slow.add(power, total)
            if self.survey is not None:
                self._waiting = now
        return now

    def catch_up(self) -> None:
        """Do what can wait until a tick on which no frame of this resolution ends.

        The long-term spectra and the look for lingering lines cost as much as a frame: done on
        its own tick they would make each answer of that tick late.
        """
        now = self._waiting
        if self.take_in() and self.survey is not None and now is not None and not self._listens:
            self._lines = self.survey.look(now)

    def take_in(self) -> bool:
        """Take what waits into the long-term spectra; tell whether they were read anew."""
        now, self._waiting = self._waiting, None
        if now is None or self.survey is None:
            return False
        self.survey.add(now.power, now.total)
        is_due = self._is_survey_due
        if is_due:
            self.survey.renew()
        return is_due

    @property
    def _has_slow_news(self) -> bool:
        return self._slow is not self.memory and self._turns % SLOW_STEP == 0

    @property
    def _is_survey_due(self) -> bool:
        """Tell whether the newest slow frame is one to look for lingering lines in."""
        is_early = self._slow.heard * self._slow.hop_s <= FIRST_SURVEY_S
        number = self._turns // SLOW_STEP
        return number % self.design.survey_step == self.design.survey_at and not is_early

    def lingering(self) -> Verdict | None:
        """Return, once, the lines that linger; None while none were looked for."""
        lines, self._lines = self._lines, None
        return lines

    def standing(
        self, now: Now, at_end_stop: NDArray[np.bool_], may_alarm: NDArray[np.bool_]
    ) -> Standing | None:
        """Return tones that stand, alone or not, where those are looked for.

        Those among others are alarms only where they may be; all arrays are (channels,).
        """
        if self._listens or self._standing is None or self._turns % STANDING_EVERY:
            return None
        lone_tones, among_others = self._standing
        bins = slice(self._first, self._last + 1)
        lines = loudest_lines(now, bins, self._is_reference, STANDING_SHARE)
        lone = lone_tones.look(now, lines, at_end_stop)
        among = among_others.look(now, lines, may_alarm)
        return among if lone is None else lone.and_also(among)

    def rising(self, now: Now) -> Rising:
        """Return what speaks for and against each rising peak of the frame just advanced to."""
        return gather(self.views(now))[0]

    def views(self, now: Now) -> list[View]:
        """Return what of the frame just advanced to is to be looked at for rises."""
        if self.memory.heard * self.hop_s < 2 * self.frame_s:
            return []  # the stream's begin rises in every frame that is not yet full
        floor = np.minimum(now.recent_power, now.total) * QUIETEST_SHARE
        floor[self._vouches] = 0  # how loud a reference's line is does not matter
        peaks = find_peaks(now.power, floor, self._first, self._last)
        known = self._vouches
        pasts = [(self.memory, self.design.steps)]
        if self._has_slow_news:
            pasts.append((self._slow, self.design.slow_steps))
        return [
            View(now, peaks, memory, np.array(steps), known, self._background)
            for memory, steps in pasts
        ]


@dataclass(frozen=True, slots=True)
class Glance:
    """The newest frame of a resolution, before it is judged."""

    resolution: Resolution
    now: Now
    views: list[View] | None  # None: this one is not judged

    def verdict(self, rising: Rising, odds: Figures) -> Verdict:
        """Take what rises in the frame, and what it weighs, into the running belief."""
        if self.views is None:
            return no_verdict()
        return self.resolution.belief.follow(rising, odds)


def judge(glances: Sequence[Glance]) -> list[Verdict]:
    """Return the verdict on each of the frames that end with one tick.

    All are judged at once, see `candidates`: that costs half of one after the other. They must
    be of one engine, so that their evidence is weighed by the same trees.
    """
    if all(glance.views is None for glance in glances):
        return [no_verdict() for _ in glances]
    views = [view for glance in glances for view in glance.views or ()]
    rising, view = gather(views)
    odds = log_odds(rising, glances[0].resolution.trees)
    ends = np.cumsum([len(glance.views or ()) for glance in glances])
    verdicts, begin = [], 0
    for glance, end in zip(glances, np.searchsorted(view, ends).tolist(), strict=True):
        own = slice(begin, end)
        verdicts.append(glance.verdict(rising.only(own), odds[own]))
        begin = end
    return verdicts
