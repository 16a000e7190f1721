"""One time-frequency resolution: frames of one length through spectra, peaks and rises."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.belief import TREES, Belief, Verdict, no_verdict
from prehowl.detectors.memory import SpectrumMemory
from prehowl.detectors.peaks import find_peaks
from prehowl.detectors.rises import Rising, gather, joined, none_rising
from prehowl.detectors.spectrum import FLOOR_POWER, hann, power_spectrum
from prehowl.detectors.tracks import LOOKS, Figures, Now
from prehowl.detectors.trees import Trees

RECENT_S = 0.6
"""Time constant of the channel's recent power: about the RMS over a second."""

QUIETEST_SHARE = np.float32(10 ** (-30.0 / 10))
"""A bin this far under the channel's power, of this frame or lately, whichever is less, is not
looked at: a ring there is not yet near to anything that anybody hears."""

SLOW_STEP = 4
"""The slow memory keeps every fourth frame: of those, one begins where the other ends."""

EDGE_BINS = 4
"""Room that peaks and their past need at both ends of the spectrum."""


@dataclass(frozen=True, slots=True)
class Design:
    """What makes a resolution; lengths in quanta (about 10.7 ms), steps in frames."""

    name: str
    frame_quanta: float
    hop_quanta: float
    low_hz: float
    high_hz: float
    steps: tuple[int, ...]  # from look to look, for each span looked back over
    slow_steps: tuple[int, ...]  # the same in the slow memory; none: no such memory
    follow: float  # how fast the belief follows its frames, 0..1
    odd_ticks: bool | None = None  # judged on odd or even ticks only; None: whenever a frame ends


DESIGNS = (
    # Low notes lie a few hertz apart and loops grow slowly there.
    Design("long", 16, 4, 45, 420, (1, 2), (1, 2), 0.3),
    Design("main", 8, 2, 55, 18_000, (1, 2, 4), (2, 4), 0.3),
    Design("brief", 4, 1, 150, 18_000, (1, 2), (), 0.5, odd_ticks=False),
    # A ring of 400 dB/s at 8 kHz is over within two main frames.
    Design("short", 2, 0.5, 300, 18_000, (1, 2), (), 0.5, odd_ticks=True),
)


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
    trees : Trees
        By which evidence is weighed; others only while they are being fitted.
    comes_back : bool
        Whether it joins in the middle of a stream: it then listens, without judging, until it
        knows as much of the past as it ever will.
    """

    def __init__(
        self,
        design: Design,
        channels: int,
        rate_hz: int,
        quantum: int,
        is_reference: NDArray[np.bool_],
        trees: Trees = TREES,
        *,
        comes_back: bool = False,
    ) -> None:
        self.design = design
        self.frame_length = int(design.frame_quanta * quantum)
        self.hop_length = int(design.hop_quanta * quantum)
        self.rate_hz = rate_hz
        self.frame_s = self.frame_length / rate_hz
        self.hop_s = self.hop_length / rate_hz
        self.bin_hz = rate_hz / self.frame_length
        self._window = hann(self.frame_length)
        self._windowed = np.empty((self.frames_per_tick, channels, self.frame_length), np.float32)
        bins = self.frame_length // 2 + 1
        self._power = np.empty((self.frames_per_tick, channels, bins), np.float32)
        self._is_reference = self._vouches = is_reference
        self._first = max(EDGE_BINS, round(design.low_hz / self.bin_hz))
        top = bins - 1 - EDGE_BINS
        self._last = min(top, round(min(design.high_hz, 0.47 * rate_hz) / self.bin_hz))
        reach = (LOOKS - 1) * max(design.steps) + 1
        self.memory = SpectrumMemory(channels, bins, reach, self.hop_s)
        self._slow = self.memory
        if design.slow_steps:
            reach = (LOOKS - 1) * max(design.slow_steps) + 1
            self._slow = SpectrumMemory(channels, bins, reach, SLOW_STEP * self.hop_s)
        self._recent = np.full(channels, FLOOR_POWER, np.float32)
        self._recent_step = np.float32(1 - np.exp(-self.hop_s / RECENT_S))
        self._ticks = 0
        self._listens = comes_back
        self._parts: tuple[slice, ...] = (slice(None),)
        self._belief = Belief(channels, bins, design.follow, trees)

    @property
    def is_useful(self) -> bool:
        """Tell whether any bin of the design lies below the Nyquist frequency."""
        return self._last > self._first

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
        return tick % max(1, round(self.design.hop_quanta)) == 0

    def spectra(self, samples: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return the spectra that end within the present tick.

        Parameters
        ----------
        samples : ndarray of float32, shape (channels, length)
            The latest samples, newest last; length >= frame_length + (frames_per_tick - 1) hops.

        Returns
        -------
        ndarray of float32, shape (frames_per_tick, channels, bins)
            Valid until the next call.
        """
        count, end = self.frames_per_tick, samples.shape[1]
        stops = [end - back * self.hop_length for back in range(count - 1, -1, -1)]
        for number, stop in enumerate(stops):
            frame = samples[:, stop - self.frame_length : stop]
            for part in self._parts:
                np.multiply(frame[part], self._window, out=self._windowed[number, part])
        for part in self._parts:
            power_spectrum(self._windowed[:, part], self._power[:, part])
        return self._power

    def hear_only(self, parts: Sequence[slice]) -> None:
        """Look at these stretches of channels only from now on; the others read silence.

        Without all of them no reference vouches for anything.
        """
        self._parts = tuple(parts)
        self._power.fill(0)
        is_all = self._parts == (slice(None),)
        self._vouches = self._is_reference if is_all else np.zeros_like(self._is_reference)

    def step(self, spectra: Figures) -> tuple[Now, Verdict]:
        """Take one tick's spectra, (frames, channels, bins); return the newest and the verdict."""
        now = self.advance(spectra)
        verdict = self._belief.follow(self.rising(now)) if self.is_judged else no_verdict()
        return now, verdict

    @property
    def is_judged(self) -> bool:
        """Tell whether the frame just advanced to is one to look for rises in."""
        if self._listens:
            memories = (self.memory, self._slow)
            self._listens = any(memory.heard < memory.frames for memory in memories)
            return False
        odd = self.design.odd_ticks
        return odd is None or self._ticks % 2 == odd

    def advance(self, spectra: Figures) -> Now:
        """Remember the spectra of one tick; return the newest."""
        self._ticks += 1
        for power in spectra:
            total = power.sum(axis=1)
            self.memory.add(power, total)
            # A plain mean at first, then one with a memory.
            weight = max(self._recent_step, np.float32(1 / self.memory.heard))
            self._recent += weight * (total - self._recent)
        if self._has_slow_news:
            self._slow.add(power, total)
        return Now(power, total, self._recent.copy(), self.bin_hz)

    @property
    def _has_slow_news(self) -> bool:
        return self._slow is not self.memory and self.memory.heard % SLOW_STEP == 0

    def rising(self, now: Now) -> Rising:
        """Return what speaks for and against each rising peak of the frame just advanced to."""
        if self.memory.heard * self.hop_s < 2 * self.frame_s:
            return none_rising()  # the stream's begin rises in every frame that is not yet full
        floor = np.minimum(now.recent_power, now.total) * QUIETEST_SHARE
        peaks = find_peaks(now.power, floor, self._first, self._last)
        known = self._vouches
        fast = gather(now, peaks, self.memory, self.design.steps, self._slow, known)
        if not self._has_slow_news:
            return fast
        slow = gather(now, peaks, self._slow, self.design.slow_steps, self._slow, known)
        return joined([fast, slow])
