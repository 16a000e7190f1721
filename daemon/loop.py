"""The only wiring: source -> engine -> events -> sinks, with pace, health and a clean end.

One thread, the caller's. What comes in is made safe here: lost samples become silence (see
`stream_time`), samples that are no sane numbers become 0, both are counted. Blocks are cut into
short pieces so that an event leaves soon after its sample, and at the snapshots' due samples so
that snapshots do not depend on how the source cuts its blocks.
"""

import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.desk.desk import Desk
from prehowl.daemon.events import event_from_change
from prehowl.daemon.notes import hand_out
from prehowl.daemon.pace import Load, Pace, Pacer
from prehowl.daemon.rings_now import RingsNow
from prehowl.daemon.sinks.base import Health, SampleTaker, Sink, Snapshot
from prehowl.daemon.sinks.words import counted
from prehowl.daemon.sources.base import Block, Source, SourceHealth
from prehowl.daemon.stopping import Stop, StopFlag, stop_on_signals
from prehowl.daemon.stream_time import StreamTime
from prehowl.daemon.turns import quick_turns
from prehowl.daemon.weak_bands import WeakBands, with_sheet
from prehowl.detectors.engine import EngineView
from prehowl.detectors.rings import RingChange

__all__ = ["EngineLike", "LoopResult", "Pace", "StopFlag", "run_loop", "stop_on_signals"]

SNAPSHOT_S = 0.1
PIECE_S = {"fast": 0.05, "real": 0.01}
SANEST_PEAK = 1e6
"""Larger samples are damage, not audio (+120 dBFS); their squares would overflow float32."""


class EngineLike(Protocol):
    """What the loop asks of an engine; `prehowl.detectors.engine.Engine` is one."""

    def feed(self, block: NDArray[np.float32]) -> list[RingChange]:
        """Consume samples (samples, channels); return the changes in order."""

    def finish(self) -> list[RingChange]:
        """End the stream: clear what still rings."""

    def view(self) -> EngineView:
        """Return levels and suspicion now."""


@dataclass(frozen=True, slots=True)
class LoopResult:
    """What one run came to."""

    samples: int  # per channel, lost ones included
    duration_s: float
    events: int
    alarms_by_channel: dict[int, int]  # channel number -> first `ringing` or `howling` of an id
    lost_samples: int = 0
    bad_samples: int = 0  # NaN, infinite or absurd, over all channels
    was_stopped: bool = False  # by the stop flag, before the source's end

    @property
    def alarms(self) -> int:
        """Number of alarms on all channels."""
        return sum(self.alarms_by_channel.values())


def run_loop(
    source: Source,
    engine: EngineLike,
    sinks: Sequence[Sink],
    *,
    names: Sequence[str],
    channel_numbers: Sequence[int] | None = None,
    stop: Stop | None = None,
    pace: Pace = "fast",
    snapshot_s: float | None = SNAPSHOT_S,
    complete_health: Callable[[Health], Health] | None = None,
    warn: Callable[[str], None] | None = None,
    desk: Desk | None = None,
    weak_bands: Mapping[int, WeakBands] | None = None,
) -> LoopResult:
    """Run until the source ends or `stop` is set; close the source and all sinks in any case.

    Parameters
    ----------
    source, engine, sinks
        All made for the same number of channels. Sinks are started here, in order.
    names : sequence of str
        Channel names by index.
    channel_numbers : sequence of int, optional
        Number of each channel as on the interface, where a selection was made; default 1, 2, ...
    stop : Stop, optional
        From `stop_on_signals()`, or a `threading.Event`. Looked at at least every 0.1 s.
    pace : {"fast", "real"}
        "fast" takes blocks as they come: recordings at full speed, and live devices, which set
        the pace themselves. "real" plays a recording or a virtual stage at its own speed.
    snapshot_s : float or None
        Stream time between snapshots; None makes none, which is quicker.
    complete_health : callable, optional
        Given the loop's `Health`, returns it with what only the command knows (OSC targets).
    warn : callable, optional
        Told once, in one line, when samples had to be replaced.
    desk : Desk, optional
        Made for the same names and numbers: says who is on, what channels are called now, and
        obeys commands, each of which becomes a note to the sinks that take notes.
    weak_bands : mapping, optional
        Channel number -> what its EQ sheet says, for the events of its rings.

    Returns
    -------
    LoopResult
        Counts; the last events (rings cleared by the end) have reached the sinks before.

    Raises
    ------
    ValueError
        If names or numbers do not fit the source's channels.
    """
    numbers = tuple(channel_numbers or range(1, source.channels + 1))
    if not len(names) == len(numbers) == source.channels:
        raise ValueError(
            f"{len(names)} names and {len(numbers)} numbers for {source.channels} channels"
        )
    desk = desk or Desk(names, numbers)
    loop = _Loop(source, engine, sinks, desk, numbers, Pacer(source.rate_hz, pace))
    loop.snapshot_samples = None if snapshot_s is None else round(snapshot_s * source.rate_hz)
    loop.complete_health = complete_health or (lambda health: health)
    loop.warn = warn or (lambda _text: None)
    loop.weak_bands = weak_bands or {}
    with ExitStack() as stack:
        stack.enter_context(quick_turns())
        stack.callback(source.close)
        for sink in sinks:
            sink.start()
            stack.callback(sink.close)
        return loop.run(stop or StopFlag())


@dataclass(slots=True)
class _Loop:
    source: Source
    engine: EngineLike
    sinks: Sequence[Sink]
    desk: Desk
    numbers: tuple[int, ...]
    pacer: Pacer
    snapshot_samples: int | None = None
    complete_health: Callable[[Health], Health] = field(init=False)
    warn: Callable[[str], None] = field(init=False)
    clock: StreamTime = field(init=False)
    takers: list[SampleTaker] = field(init=False)
    load: Load = field(default_factory=Load)
    weak_bands: Mapping[int, WeakBands] = field(default_factory=dict)
    rings: RingsNow = field(default_factory=RingsNow)
    bad_samples: int = 0
    next_snapshot: int = 0  # engine sample
    last_snapshot_s: float = field(default_factory=time.monotonic)
    source_health: SourceHealth = field(default_factory=SourceHealth)

    def __post_init__(self) -> None:
        self.clock = StreamTime(self.source.rate_hz)
        self.takers = [sink for sink in self.sinks if isinstance(sink, SampleTaker)]

    def run(self, stop: Stop) -> LoopResult:
        self.next_snapshot = self.snapshot_samples or 0
        while not stop.is_set() and (block := self.source.read()) is not None:
            self.take(block, stop)
        was_stopped = stop.is_set()
        self.publish(self.engine.finish())
        self.snapshot()
        return LoopResult(
            samples=self.clock.now,
            duration_s=self.clock.now / self.source.rate_hz,
            events=self.rings.events,
            alarms_by_channel=dict(sorted(self.rings.alarms_by_channel.items())),
            lost_samples=self.clock.lost,
            bad_samples=self.bad_samples,
            was_stopped=was_stopped,
        )

    def take(self, block: Block, stop: Stop) -> None:
        if block.lost:
            silence = self.clock.lose(block.lost)
            self.analyse(np.zeros((silence, len(self.numbers)), np.float32), stop)
        if len(block.samples):
            self.analyse(self.repaired(block.samples), stop)
            return
        self.obey()
        if time.monotonic() - self.last_snapshot_s >= SNAPSHOT_S:
            self.snapshot()  # nothing comes in: the screen must still live and say so

    def repaired(self, samples: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return the samples with 0 in place of what is no sane number."""
        if max(samples.max(), -samples.min()) <= SANEST_PEAK:  # False for NaN, too
            return samples
        bad = ~(np.abs(samples) <= SANEST_PEAK)
        if not self.bad_samples:
            at_s = (self.clock.now + int(bad.any(axis=1).argmax())) / self.source.rate_hz
            self.warn(
                f"samples that are no sane numbers (NaN, infinite or absurdly large) from "
                f"{at_s:.3f} s on are taken as silence; look at what made this audio"
            )
        self.bad_samples += int(bad.sum())
        return np.where(bad, np.float32(0), samples)

    def analyse(self, samples: NDArray[np.float32], stop: Stop) -> None:
        most = max(1, round(PIECE_S[self.pacer.pace] * self.source.rate_hz))
        at = 0
        while at < len(samples) and not stop.is_set():
            length = min(most, len(samples) - at)
            if self.snapshot_samples is not None:
                length = min(length, self.next_snapshot - self.clock.fed)
            self.feed(samples[at : at + length], stop)
            at += length

    def feed(self, piece: NDArray[np.float32], stop: Stop) -> None:
        self.pacer.wait_for(self.clock.now + len(piece), stop)
        began_s = time.perf_counter()
        changes = self.engine.feed(piece)
        self.load.add(time.perf_counter() - began_s, len(piece) / self.source.rate_hz)
        self.clock.fed += len(piece)
        for taker in self.takers:
            taker.on_samples(piece)
        self.publish(changes)
        self.obey()
        if self.snapshot_samples is not None and self.clock.fed >= self.next_snapshot:
            self.next_snapshot += self.snapshot_samples
            self.snapshot()

    def publish(self, changes: Sequence[RingChange]) -> None:
        for change in changes:
            dated, number = self.clock.dated(change), self.numbers[change.ch]
            event = event_from_change(dated, self.desk.names, self.source.rate_hz)
            event = replace(event, channel=number, act=self.desk.act)
            event = with_sheet(event, self.desk.weak_bands(self.weak_bands).get(number))
            self.rings.take(event)
            for sink in self.sinks:
                sink.on_event(event)

    def obey(self) -> None:
        """Do what people have asked for since the last piece, and tell the sinks."""
        notes = self.desk.obey(self.time_s, self.made_snapshot)
        hand_out(notes, self.sinks)

    @property
    def time_s(self) -> float:
        """Return the stream time."""
        return self.clock.now / self.source.rate_hz

    def snapshot(self) -> None:
        if self.snapshot_samples is None:
            return
        self.last_snapshot_s = time.monotonic()
        snapshot = self.made_snapshot()
        for sink in self.sinks:
            sink.on_snapshot(snapshot)

    def made_snapshot(self) -> Snapshot:
        """Return what is true now."""
        view, order = self.engine.view(), self.desk.order
        return Snapshot(
            time_s=self.time_s,
            level_dbfs=view.level_dbfs,
            peak_dbfs=view.peak_dbfs,
            suspicion=view.suspicion,
            rings=self.rings.worst_first(),
            health=self.health(),
            names=self.desk.names,
            act=self.desk.act,
            next_act=None if order.next_act is None else order.next_act.name,
            act_number=order.number,
            acts=len(order),
            held=self.desk.held,
            weak_bands=self.desk.weak_bands(self.weak_bands),
        )

    def health(self) -> Health:
        source = self.source.health()
        if self.bad_samples:
            said = f"{counted(self.bad_samples, 'damaged sample')} taken as silence"
            source = replace(source, detail="; ".join(filter(None, (source.detail, said))))
        return self.complete_health(Health(source=source, load=self.load.share))
