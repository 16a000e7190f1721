"""A long show in a short time: memory must not grow, files not stay open, events not be lost.

The whole watch but the device: loop, engine, OSC, logbook with clips, at the fastest pace of the
machine, on a programme that goes round; then the same samples once more in other blocks with
nothing but the engine, whose count of events must be the same.
"""

import os
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.bench.repeated import RepeatedSource, one_round
from prehowl.daemon.events import RingEvent
from prehowl.daemon.logbook.reader import LogbookReader
from prehowl.daemon.logbook.records import ChannelRow, Kind, RunInfo
from prehowl.daemon.logbook.sink import ClipPlan, LogbookSink
from prehowl.daemon.loop import run_loop
from prehowl.daemon.show.osc_tables import OscTarget
from prehowl.daemon.sinks.base import Sink, Snapshot
from prehowl.daemon.sinks.osc import OscSink
from prehowl.detectors.engine import ChannelSetup, Engine

LIVE_BLOCK, SCAN_BLOCK = 512, 12000
SETTLE_SHARE = 0.25
"""The first part is left out of the slope: caches fill, clips come up to their size."""
SAMPLES_OF_MEMORY = 200
CLIPS_MB = 5.0
DISCARD_PORT = 9


@dataclass(frozen=True, slots=True)
class Soak:
    """What was found."""

    channels: int
    rate_hz: int
    hours: float
    events: int
    events_of_scan: int
    events_in_logbook: int
    memory_mb: float  # at the end
    slope_mb_per_h: float
    slope_error_mb_per_h: float  # one standard error
    files_first: int
    files_last: int

    @property
    def is_sound(self) -> bool:
        """Tell whether nothing was lost and nothing grows that can be told from noise."""
        counts = {self.events, self.events_of_scan, self.events_in_logbook}
        is_flat = self.slope_mb_per_h <= max(1.0, 3 * self.slope_error_mb_per_h)
        return len(counts) == 1 and is_flat and self.files_last <= self.files_first


def soak(
    channels: int, rate_hz: int, hours: float, seed: int, say: Callable[[float], None]
) -> Soak:
    """Run both; `say` is told the stream time in hours now and then."""
    sound = one_round(channels, rate_hz, seed)
    gauge = _Gauge(hours * 3600 / SAMPLES_OF_MEMORY, say)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "soak.logbook"
        rows = tuple(ChannelRow(n + 1, f"Ch {n + 1}", "mic") for n in range(channels))
        info = RunInfo("soak", "repeated", "", rate_hz, version("prehowl"), rows)
        logbook = LogbookSink(path, info, clips=ClipPlan(most_mb=CLIPS_MB), may_wait=True)
        osc = OscSink([OscTarget("127.0.0.1", DISCARD_PORT)], version=version("prehowl"))
        live = _run(sound, rate_hz, hours, LIVE_BLOCK, [logbook, osc, gauge])
        with LogbookReader(path) as reader:
            kept = sum(1 for _ in reader.lines(kind=Kind.RING))
    scanned = _run(sound, rate_hz, hours, SCAN_BLOCK, [])
    slope, error = gauge.slope()
    return Soak(
        channels=channels,
        rate_hz=rate_hz,
        hours=hours,
        events=live,
        events_of_scan=scanned,
        events_in_logbook=kept,
        memory_mb=gauge.memory_mb[-1],
        slope_mb_per_h=slope,
        slope_error_mb_per_h=error,
        files_first=gauge.files[gauge.settled],
        files_last=gauge.files[-1],
    )


def _run(
    sound: NDArray[np.float32], rate_hz: int, hours: float, block: int, sinks: Sequence[Sink]
) -> int:
    source = RepeatedSource(sound, rate_hz, hours * 3600, block_length=block, is_live=False)
    engine = Engine(rate_hz, [ChannelSetup()] * source.channels)
    return run_loop(source, engine, sinks, names=source.names).events


@dataclass(slots=True)
class _Gauge:
    """Notes memory and open files now and then. A `Sink`."""

    every_s: float
    say: Callable[[float], None]
    time_s: list[float] = field(default_factory=list)
    memory_mb: list[float] = field(default_factory=list)
    files: list[int] = field(default_factory=list)

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
        self.files.append(len(os.listdir("/proc/self/fd")))
        self.say(snapshot.time_s / 3600)

    def close(self) -> None:
        """Keep the figures."""

    @property
    def settled(self) -> int:
        """Index of the first reading that counts: by then every thread has opened what it needs."""
        return round(SETTLE_SHARE * len(self.time_s))

    def slope(self) -> tuple[float, float]:
        """Return growth in MB an hour of stream time, and its standard error (least squares)."""
        first = self.settled
        return line_slope(np.array(self.time_s[first:]) / 3600, np.array(self.memory_mb[first:]))


def line_slope(x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[float, float]:
    """Return the slope of the least-squares line and its standard error.

    Source: any textbook of statistics (from memory): error^2 = s^2 / sum((x - mean)^2) with
    s^2 the residuals' sum of squares over n - 2. Neighbouring readings of memory are not
    independent, so the true error is larger.
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
