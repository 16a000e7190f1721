"""One time-frequency resolution: frames of one length through spectra, peaks and lines."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.belief import Belief, Verdict
from prehowl.detectors.lines import SLOTS, Lines, LineView
from prehowl.detectors.peaks import LOBE_BINS, find_peaks
from prehowl.detectors.rises import Rising, Span, gather, joined, none_rising
from prehowl.detectors.spectrum import hann, power_spectrum


@dataclass(frozen=True, slots=True)
class Design:
    """What makes a resolution; lengths in quanta (about 10.7 ms)."""

    name: str
    frame_quanta: float
    hop_quanta: float
    low_hz: float
    high_hz: float
    spans: tuple[Span, ...]
    fast_frames: int
    slow_frames: int


DESIGNS = (
    # Low notes lie a few hertz apart and loops grow slowly there.
    Design("long", 16, 2, 45, 420, (
        Span(False, 12), Span(False, 24), Span(False, 48), Span(True, 24), Span(True, 48),
    ), 48, 48),
    Design("main", 8, 1, 55, 18_000, (
        Span(False, 12), Span(False, 24), Span(False, 48), Span(True, 24), Span(True, 48),
        Span(True, 96),
    ), 48, 96),
    Design("brief", 4, 1, 150, 18_000, (
        Span(False, 8), Span(False, 12), Span(False, 20),
    ), 20, 8),
    # A ring of 400 dB/s at 8 kHz is over within two main frames.
    Design("short", 2, 0.5, 300, 18_000, (
        Span(False, 8), Span(False, 14), Span(False, 32),
    ), 32, 8),
)  # fmt: skip


YOUNGEST = 5
"""Frames that a line must have lived to be looked at."""


class Resolution:
    """Follow lines in frames of one length; see `Design`."""

    def __init__(self, design: Design, channels: int, rate_hz: int, quantum: int) -> None:
        self.design = design
        self.frame_length = int(design.frame_quanta * quantum)
        self.hop_length = int(design.hop_quanta * quantum)
        self.rate_hz = rate_hz
        self.frame_s = self.frame_length / rate_hz
        self.hop_s = self.hop_length / rate_hz
        self.bin_hz = rate_hz / self.frame_length
        self._window = hann(self.frame_length)
        top = self.frame_length // 2 - LOBE_BINS
        self._first = max(LOBE_BINS, round(design.low_hz / self.bin_hz))
        self._last = min(top, round(min(design.high_hz, 0.47 * rate_hz) / self.bin_hz))
        self._lines = Lines(
            channels,
            self.frame_length // 2 + 1,
            fast_frames=design.fast_frames,
            slow_frames=design.slow_frames,
            patience=max(3, round(0.12 / self.hop_s)),
            hop_s=self.hop_s,
        )
        self._belief = Belief(channels * SLOTS)
        self._fast_spans = tuple(span for span in design.spans if not span.slow)
        self._slow_spans = tuple(span for span in design.spans if span.slow)
        self._slow_rising = none_rising()

    @property
    def is_useful(self) -> bool:
        """Tell whether any bin of the design lies below the Nyquist frequency."""
        return self._last > self._first

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
        """
        end = samples.shape[1]
        frames = []
        for back in range(self.frames_per_tick - 1, -1, -1):
            stop = end - back * self.hop_length
            frames.append(samples[:, stop - self.frame_length : stop])
        return power_spectrum(np.stack(frames), self._window)

    def step(self, power: NDArray[np.float32]) -> tuple[LineView, Verdict]:
        """Take one frame's spectrum, shape (channels, bins); return its lines and the verdict."""
        view = self.advance(power)
        return view, self._belief.follow(view, self.rising(view))

    def advance(self, power: NDArray[np.float32]) -> LineView:
        """Follow the lines through one frame's spectrum; return those old enough to be judged."""
        self._lines.step(power, find_peaks(power, self._first, self._last))
        return self._lines.view(power, bin_hz=self.bin_hz, hop_s=self.hop_s, youngest=YOUNGEST)

    def rising(self, view: LineView) -> Rising:
        """Return what speaks for and against each rising line of the frame just advanced to."""
        fast = gather(view, self._fast_spans, frame_s=self.frame_s)
        if self._slow_spans and view.slow_is_new:
            self._slow_rising = gather(view, self._slow_spans, frame_s=self.frame_s)
        elif len(self._slow_rising.row):
            # Until the slow history has its next value, what it said still holds, for the lines
            # that are still there.
            still = np.isin(self._slow_rising.row, view.row[view.lift_db > 0])
            self._slow_rising = self._slow_rising.only(still)
        return joined([fast, self._slow_rising])
