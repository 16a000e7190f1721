"""Memory and open files of this process over a long run, and whether they grow."""

import os
import sys
from array import array
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.events import RingEvent
from prehowl.daemon.sinks.base import Snapshot

SETTLE_SHARE = 0.25
"""The first part is left out of the slopes: caches fill, clips come up to their size."""


@dataclass(slots=True)
class Gauge:
    """Notes memory and open files now and then. A `Sink`."""

    every_s: float  # of stream time
    say: Callable[[float], None]  # told the stream time in hours at every reading
    # Arrays, not lists: a reading that is kept as an object would be counted by the next one.
    time_s: "array[float]" = field(default_factory=lambda: array("d"))
    memory_mb: "array[float]" = field(default_factory=lambda: array("d"))
    objects: "array[float]" = field(default_factory=lambda: array("d"))
    files: "array[int]" = field(default_factory=lambda: array("l"))

    def start(self) -> None:
        """Begin without figures."""

    def on_event(self, event: RingEvent) -> None:
        """Let it pass."""

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Note the figures, if it is time."""
        if self.time_s and snapshot.time_s - self.time_s[-1] < self.every_s:
            return
        self.time_s.append(snapshot.time_s)
        self.memory_mb.append(memory_mb())
        self.objects.append(float(sys.getallocatedblocks()))
        self.files.append(len(os.listdir("/proc/self/fd")))
        self.say(snapshot.time_s / 3600)

    def close(self) -> None:
        """Keep the figures."""

    @property
    def settled(self) -> int:
        """Index of the first reading that counts: by then every thread has opened what it needs."""
        return round(SETTLE_SHARE * len(self.time_s))

    def slope_of(self, readings: "array[float]") -> tuple[float, float]:
        """Return growth an hour of stream time, and its standard error."""
        first = self.settled
        return drift(np.array(self.time_s[first:]) / 3600, np.array(readings[first:]))


def drift(x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[float, float]:
    """Return the slope of readings that hang together, and a standard error that allows for it.

    Source: the effective number of readings of a first-order autoregression, n (1 - r) / (1 + r)
    with r the residuals' correlation from one to the next (Bartlett 1935, from memory).
    """
    slope, error = line_slope(x, y)
    residuals = y - y.mean() - slope * (x - x.mean())
    power = float((residuals**2).sum())
    r = float((residuals[1:] * residuals[:-1]).sum()) / power if power > 0 else 0.0
    r = min(max(r, 0.0), 0.99)
    return slope, error * float(np.sqrt((1 + r) / (1 - r)))


def line_slope(x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[float, float]:
    """Return the slope of the least-squares line and its standard error.

    Source: any textbook of statistics (from memory): error^2 = s^2 / sum((x - mean)^2) with
    s^2 the residuals' sum of squares over n - 2.
    """
    centred = x - x.mean()
    spread = float((centred**2).sum())
    slope = float((centred * y).sum() / spread)
    residuals = y - y.mean() - slope * centred
    error = float(np.sqrt((residuals**2).sum() / max(1, len(x) - 2) / spread))
    return slope, error


def memory_mb() -> float:
    """Return the memory that this process holds now (Linux)."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6
