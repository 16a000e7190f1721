"""What a single input tells of its cable and converter: dead, stuck, clipping.

Looks at the samples that the engine gets, a quarter of a second at a time. A true silence is no
fault: every preamplifier has noise. Exact zeros are told only of a microphone that had a signal
before; on mixes, playback and unpatched inputs of a digital network they are nothing unusual.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.events import RingEvent
from prehowl.daemon.facts import Fact
from prehowl.daemon.show.tables import Kind
from prehowl.daemon.sinks.base import Snapshot

WINDOW_S = 0.25
ZERO_WINDOWS = 4
"""A second of exact zeros: no music stops so, a pulled digital cable does (our choice)."""
STUCK_WINDOWS = 2
CLIP_WINDOWS = 3
CLIP_HOLD_WINDOWS = 8
"""Two seconds without clipping end the notice, else it would flicker with the music."""
FULL = 0.999
"""24 bit converters stop at 1 - 2^-23, 16 bit ones at 0.99997; some stop a little below."""
CLIP_SHARE = 0.002
"""A single overshoot is nobody's business; so many full samples in a row of windows are."""
DEAD = Fact("exact zeros", ", so dead, muted or unpatched")
STUCK = Fact("stuck at one value", ": converter or cable")
CLIPPING = Fact("clipping", ": less gain at the input", flickers=True)


class InputWatch:
    """Judges every channel. A `Sink` that takes samples."""

    def __init__(
        self, rate_hz: int, numbers: Sequence[int], names: Sequence[str], kinds: Sequence[Kind]
    ) -> None:
        """Begin with nothing known of any channel; numbers, names, kinds in their order."""
        count = len(numbers)
        self._window = max(1, round(WINDOW_S * rate_hz))
        self._numbers = tuple(numbers)
        self._names = tuple(names)  # until a snapshot tells others
        self.take_kinds(kinds)
        self._filled = 0
        self._high: NDArray[np.float32] = np.full(count, -np.inf, np.float32)
        self._low: NDArray[np.float32] = np.full(count, np.inf, np.float32)
        self._full = np.zeros(count, np.int64)
        self._value: NDArray[np.float32] = np.full(count, np.nan, np.float32)  # last constant one
        self._had_signal = np.zeros(count, bool)
        self._zeros = np.zeros(count, np.int64)  # windows in a row
        self._dead = np.zeros(count, bool)
        self._stuck = np.zeros(count, np.int64)
        self._clips = np.zeros(count, np.int64)
        self._clip_hold = np.zeros(count, np.int64)

    def start(self) -> None:
        """Do nothing: it only listens."""

    def take_kinds(self, kinds: Sequence[Kind]) -> None:
        """Go by these kinds of the same channels. Loop's thread."""
        self._is_mic = np.array([kind == Kind.MIC for kind in kinds])

    def on_rate(self, rate_hz: int) -> None:
        """Look at windows of the same length in time."""
        self._window = max(1, round(WINDOW_S * rate_hz))
        self._forget_window()

    def on_samples(self, samples: NDArray[np.float32]) -> None:
        """Take samples (samples, channels)."""
        at = 0
        while at < len(samples):
            piece = samples[at : at + self._window - self._filled]
            self._gather(piece)
            at += len(piece)
            if self._filled == self._window:
                self._judge()

    def on_event(self, event: RingEvent) -> None:
        """Let it pass."""

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Go by the names that the channels have in the act that is on."""
        self._names = snapshot.names or self._names

    def close(self) -> None:
        """Do nothing: there is nothing to let go of."""

    def facts(self) -> list[Fact]:
        """Return what is wrong with which channel."""
        found = (
            (DEAD, self._dead & self._is_mic),
            (STUCK, self._stuck >= STUCK_WINDOWS),
            (CLIPPING, self._clip_hold > 0),
        )
        return [
            replace(fact, channel=self._numbers[ch], who=f"{self._names[ch]} ({self._numbers[ch]})")
            for fact, which in found
            for ch in np.flatnonzero(which)
        ]

    def _gather(self, piece: NDArray[np.float32]) -> None:
        high, low = piece.max(axis=0), piece.min(axis=0)
        np.maximum(self._high, high, out=self._high)
        np.minimum(self._low, low, out=self._low)
        if max(high.max(), -low.min()) >= FULL:  # counted only where there is something to count
            self._full += (np.abs(piece) >= FULL).sum(axis=0)
        self._filled += len(piece)

    def _judge(self) -> None:
        is_flat = self._high == self._low
        is_zero = is_flat & (self._high == 0)
        self._had_signal |= ~is_flat
        self._zeros = np.where(is_zero, self._zeros + 1, 0)
        is_silent = self._zeros >= ZERO_WINDOWS
        # Silence everywhere is the device's trouble, and told as such; who was dead before, stays.
        self._dead = self._dead & is_silent if is_silent.all() else is_silent & self._had_signal
        is_stuck = is_flat & ~is_zero
        goes_on = is_stuck & (self._high == self._value)
        self._stuck = np.where(goes_on, self._stuck + 1, is_stuck.astype(np.int64))
        self._value = np.where(is_flat, self._high, np.float32(np.nan))
        is_full = ~is_flat & (self._full > CLIP_SHARE * self._filled)
        self._clips = np.where(is_full, self._clips + 1, 0)
        hold = np.maximum(self._clip_hold - 1, 0)
        self._clip_hold = np.where(self._clips >= CLIP_WINDOWS, CLIP_HOLD_WINDOWS, hold)
        self._forget_window()

    def _forget_window(self) -> None:
        self._high.fill(-np.inf)
        self._low.fill(np.inf)
        self._full.fill(0)
        self._filled = 0
