"""A long show in a short time: memory must not grow, files not stay open, events not be lost.

The whole watch but the device: loop, engine, OSC, logbook with clips, at the fastest pace of the
machine, on a programme that goes round. Now and then the source goes away and comes back, acts
change, rings are acknowledged, channels held. Beside it, in a process of its own, the same samples
in other blocks with nothing but the engine, whose count of events must be the same.
"""

import math
import multiprocessing
import os
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from multiprocessing.connection import Connection
from pathlib import Path

from prehowl.daemon.bench.crew import Crew, running_order
from prehowl.daemon.bench.gauge import SETTLE_SHARE, Gauge
from prehowl.daemon.bench.repeated import (
    ROUND_S,
    Gap,
    RepeatedSource,
    howl_starts_s,
    one_round,
)
from prehowl.daemon.desk.desk import Desk
from prehowl.daemon.logbook.reader import LogbookReader
from prehowl.daemon.logbook.records import ChannelRow, Kind, RunInfo
from prehowl.daemon.logbook.sink import ClipPlan, LogbookSink
from prehowl.daemon.loop import run_loop
from prehowl.daemon.show.osc_tables import OscTarget
from prehowl.daemon.sinks.base import Sink
from prehowl.daemon.sinks.osc import OscSink
from prehowl.detectors.engine import ChannelSetup, Engine

LIVE_BLOCK, SCAN_BLOCK = 512, 12000
SAMPLES_OF_MEMORY = 200
CLIPS_MB = 5.0
FILL_MB = 1.0
"""So much may come in all: SQLite's own cache, up to 2 MB, fills for longer than a short run."""
DISCARD_PORT = 9
HOWLS_A_ROUND = 2
"""One in four seconds: already far more than a show has."""
GAPS = 4
GAP_S = 2.5
"""Longer than the silence that is analysed in the place of what was lost (`stream_time.py`)."""


@dataclass(frozen=True, slots=True)
class Soak:
    """What was found."""

    channels: int
    rate_hz: int
    hours: float
    howls: int  # that began while the source was there
    events: int
    events_of_scan: int
    events_in_logbook: int
    notes: int  # what was asked of the watch, and holds that ended by themselves
    notes_in_logbook: int
    lost_s: float  # while the source was away
    memory_mb: float  # at the end
    slope_mb_per_h: float
    slope_error_mb_per_h: float  # one standard error
    objects_per_h: float  # blocks that Python's own allocator has given out
    objects_error_per_h: float
    files_first: int
    files_last: int

    @property
    def is_sound(self) -> bool:
        """Tell whether nothing was lost and nothing grows that can be told from noise."""
        counts = {self.events, self.events_of_scan, self.events_in_logbook}
        is_whole = len(counts) == 1 and self.notes == self.notes_in_logbook
        is_awake = self.events >= self.howls
        return is_awake and is_whole and self._is_flat and self.files_last <= self.files_first

    @property
    def _is_flat(self) -> bool:
        grown_mb = self.slope_mb_per_h * self.hours * (1 - SETTLE_SHARE)
        return grown_mb <= FILL_MB or self.slope_mb_per_h <= max(1.0, 3 * self.slope_error_mb_per_h)


@dataclass(frozen=True, slots=True)
class _Plan:
    """What both runs are made of."""

    channels: int
    rate_hz: int
    hours: float
    seed: int

    @property
    def seconds(self) -> float:
        return 3600 * self.hours

    def source(self, block: int) -> RepeatedSource:
        return RepeatedSource(
            one_round(self.channels, self.rate_hz, self.seed, howls=HOWLS_A_ROUND),
            self.rate_hz,
            self.seconds,
            block_length=block,
            is_live=False,
            gap=Gap(self._there_s, GAP_S),
        )

    @property
    def _there_s(self) -> float:
        """How long the source is there between two gaps."""
        return (self.seconds - GAPS * GAP_S) / (GAPS + 1)

    def howls(self) -> int:
        """Return how many howls begin while the source is there."""
        rounds = range(math.ceil(self.seconds / ROUND_S))
        starts = [n * ROUND_S + at_s for n in rounds for at_s in howl_starts_s(HOWLS_A_ROUND)]
        both_s = self._there_s + GAP_S
        return sum(at_s < self.seconds and at_s % both_s < self._there_s for at_s in starts)

    def engine(self) -> Engine:
        return Engine(self.rate_hz, [ChannelSetup()] * self.channels)


def soak(
    channels: int, rate_hz: int, hours: float, seed: int, say: Callable[[float], None]
) -> Soak:
    """Run both; `say` is told the stream time in hours now and then."""
    plan = _Plan(channels, rate_hz, hours, seed)
    scan = _Scan(plan)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "soak.logbook"
        gauge = Gauge(plan.seconds / SAMPLES_OF_MEMORY, say)
        crew = Crew(channels, plan.seconds)
        source = plan.source(LIVE_BLOCK)
        numbers = range(1, channels + 1)
        desk = Desk(source.names, numbers, order=running_order(), sources=[crew])
        sinks: Sequence[Sink] = [*_outlets(plan, path), crew, gauge]
        live = run_loop(source, plan.engine(), sinks, names=source.names, desk=desk)
        with LogbookReader(path) as reader:
            kept = sum(1 for _ in reader.lines(kind=Kind.RING))
            noted = sum(1 for _ in reader.lines(kind="control"))
        slope, error = gauge.slope_of(gauge.memory_mb)
        objects, objects_error = gauge.slope_of(gauge.objects)
        return Soak(
            channels=channels,
            rate_hz=rate_hz,
            hours=hours,
            howls=plan.howls(),
            events=live.events,
            events_of_scan=scan.events(),
            events_in_logbook=kept,
            notes=crew.notes,
            notes_in_logbook=noted,
            lost_s=live.lost_samples / rate_hz,
            memory_mb=gauge.memory_mb[-1],
            slope_mb_per_h=slope,
            slope_error_mb_per_h=error,
            objects_per_h=objects,
            objects_error_per_h=objects_error,
            files_first=gauge.files[gauge.settled],
            files_last=gauge.files[-1],
        )


def _outlets(plan: _Plan, path: Path) -> list[Sink]:
    """Return where events go in a real watch."""
    rows = tuple(ChannelRow(n + 1, f"Ch {n + 1}", "mic") for n in range(plan.channels))
    info = RunInfo("soak", "repeated", "", plan.rate_hz, version("prehowl"), rows)
    return [
        LogbookSink(path, info, clips=ClipPlan(most_mb=CLIPS_MB), may_wait=True),
        OscSink([OscTarget("127.0.0.1", DISCARD_PORT)], version=version("prehowl")),
    ]


class _Scan:
    """The engine alone over the same samples, in a process of its own."""

    def __init__(self, plan: _Plan) -> None:
        """Start it: a fresh process, as a fork of one that already runs threads can stall."""
        context = multiprocessing.get_context("spawn")
        self._way, theirs = context.Pipe(duplex=False)
        process = context.Process(target=_scan, args=(plan, theirs), daemon=True)
        process.start()
        theirs.close()

    def events(self) -> int:
        """Return the number of events, once there is one."""
        with self._way:
            return int(self._way.recv())


def _scan(plan: _Plan, way: Connection) -> None:
    """Tell the number of events of the engine alone."""
    source, stop = plan.source(SCAN_BLOCK), _Orphaned(os.getppid())
    done = run_loop(source, plan.engine(), [], names=source.names, snapshot_s=None, stop=stop)
    if not stop.is_set():
        way.send(done.events)


@dataclass(frozen=True, slots=True)
class _Orphaned:
    """Set once the process that wants the count has gone: hours of work would be for nobody."""

    parent: int

    def is_set(self) -> bool:
        return os.getppid() != self.parent
