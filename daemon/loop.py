"""The only wiring: source -> engine -> events -> sinks, with pace, health and a clean end.

One thread, the caller's. What comes in is made safe here: lost samples become silence (see
`stream_time`), samples that are no sane numbers become 0 (see `repair`), both are counted.
Blocks are cut into short pieces so that an event leaves soon after its sample, and at the
snapshots' due samples so that snapshots do not depend on how the source cuts its blocks.
"""

import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.alerts import Alerts, Wiring
from prehowl.daemon.desk.desk import Desk
from prehowl.daemon.engine_like import EngineLike
from prehowl.daemon.events import event_from_change
from prehowl.daemon.loop_result import LoopResult, result_of
from prehowl.daemon.notes import Note, hand_out
from prehowl.daemon.pace import Load, Pace, Pacer
from prehowl.daemon.repair import Repair
from prehowl.daemon.rings_now import RingsNow
from prehowl.daemon.shedding import Shedder
from prehowl.daemon.sinks.base import Health, RateTaker, SampleTaker, Sink, Snapshot
from prehowl.daemon.sources.base import Block, Source
from prehowl.daemon.stopping import Stop, StopFlag, stop_on_signals
from prehowl.daemon.stream_time import StreamTime
from prehowl.daemon.turns import quick_turns
from prehowl.daemon.weak_bands import WeakBands, with_sheet
from prehowl.detectors.rings import RingChange

__all__ = ["EngineLike", "LoopResult", "Pace", "StopFlag", "run_loop", "stop_on_signals"]

SNAPSHOT_S = 0.1
PIECE_S = {"fast": 0.05, "real": 0.01}


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
    shedder: Shedder | None = None,
    on_rate: Callable[[int], None] | None = None,
    clock: Callable[[], float] = time.monotonic,
    wiring: Wiring | None = None,
    clears_while_away: bool = False,
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
    shedder : Shedder, optional
        Asked at every snapshot whether to leave something out; each change becomes a note.
    on_rate : callable, optional
        Must put an engine for the new rate in the place of the old one, which has been finished.
        To be given where the source's rate may change in the middle.
    clock : callable
        Seconds, for loads and snapshots without sound; only tests give another.
    wiring : Wiring, optional
        Mixes, and who belongs to whom, so that one howl on many channels is one alert with names.
    clears_while_away : bool
        Whether rings are told as cleared while the source waits for its device, or when it is back.

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
    known = wiring or Wiring.unknown(len(numbers))
    loop = _Loop(source, engine, sinks, desk, numbers, known, pace, snapshot_s, seconds=clock)
    loop.complete_health = complete_health or (lambda health: health)
    loop.repair = Repair(warn or (lambda _text: None))
    loop.weak_bands, loop.shedder = weak_bands or {}, shedder
    loop.on_rate = on_rate or (lambda _rate_hz: None)
    loop.clears_while_away = clears_while_away
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
    wiring: Wiring
    pace: Pace
    snapshot_s: float | None
    seconds: Callable[[], float]
    complete_health: Callable[[Health], Health] = field(init=False)
    repair: Repair = field(init=False)
    shedder: Shedder | None = field(init=False)
    on_rate: Callable[[int], None] = field(init=False)
    clock: StreamTime = field(init=False)
    pacer: Pacer = field(init=False)
    takers: list[SampleTaker] = field(init=False)
    alerts: Alerts = field(init=False)
    load: Load = field(default_factory=Load)
    weak_bands: Mapping[int, WeakBands] = field(default_factory=dict)
    rings: RingsNow = field(default_factory=RingsNow)
    next_snapshot: int = 0  # engine sample
    last_snapshot_s: float = 0.0  # by the clock on the wall
    heard_s: float = 0.0  # when samples came last, by the same
    clears_while_away: bool = False

    def __post_init__(self) -> None:
        self.takers = [sink for sink in self.sinks if isinstance(sink, SampleTaker)]
        self.last_snapshot_s = self.heard_s = self.seconds()
        self.keep_time(StreamTime(self.source.rate_hz))

    def keep_time(self, clock: StreamTime) -> None:
        """Count samples of one rate from here on."""
        self.clock = clock
        self.pacer = Pacer(clock.rate_hz, self.pace)
        self.alerts = Alerts(self.wiring, self.numbers, clock.rate_hz)
        self.next_snapshot = self.snapshot_samples

    @property
    def snapshot_samples(self) -> int:
        """Samples between two snapshots; 0 makes none."""
        return round((self.snapshot_s or 0) * self.clock.rate_hz)

    def run(self, stop: Stop) -> LoopResult:
        while not stop.is_set() and (block := self.source.read()) is not None:
            if self.source.rate_hz != self.clock.rate_hz:
                self.change_rate(self.source.rate_hz)
            self.take(block, stop)
        was_stopped = stop.is_set()
        self.publish(self.engine.finish())
        self.snapshot()
        return result_of(self.clock, self.rings, self.repair, was_stopped=was_stopped)

    def change_rate(self, rate_hz: int) -> None:
        """Go on at another rate: what rang is cleared, all that counts samples begins anew."""
        before_hz = self.clock.rate_hz
        self.publish(self.engine.finish())
        self.keep_time(self.clock.after(rate_hz))
        self.on_rate(rate_hz)
        for sink in self.sinks:
            if isinstance(sink, RateTaker):
                sink.on_rate(rate_hz)
        said = f"the input now runs at {rate_hz} Hz, {before_hz} Hz before; rings are found anew"
        self.note("rate", "device", said)

    def note(self, verb: str, by: str, effect: str) -> None:
        """Tell the sinks of something that nobody asked for."""
        hand_out([Note(self.clock.time_s, verb, by, True, effect, act=self.desk.act)], self.sinks)

    def take(self, block: Block, stop: Stop) -> None:
        if block.lost:
            self.be_silent(self.clock.lose(block.lost), stop)
        if len(block.samples):
            self.heard_s, clock = self.seconds(), self.clock
            mended = self.repair.mended(block.samples, clock.time_s, clock.rate_hz)
            self.analyse(mended, stop)
            return
        self.obey()
        if self.clears_while_away and self.source.health().state == "waiting":
            self.be_silent(self.clock.lose_early(self.seconds() - self.heard_s), stop)
        if self.seconds() - self.last_snapshot_s >= SNAPSHOT_S:
            self.snapshot()  # nothing comes in: the screen must still live and say so

    def be_silent(self, silence: int, stop: Stop) -> None:
        self.analyse(np.zeros((silence, len(self.numbers)), np.float32), stop)

    def analyse(self, samples: NDArray[np.float32], stop: Stop) -> None:
        most = max(1, round(PIECE_S[self.pace] * self.clock.rate_hz))
        at = 0
        while at < len(samples) and not stop.is_set():
            length = min(most, len(samples) - at)
            if self.snapshot_samples:
                length = min(length, self.next_snapshot - self.clock.fed)
            self.feed(samples[at : at + length], stop)
            at += length

    def feed(self, piece: NDArray[np.float32], stop: Stop) -> None:
        self.pacer.wait_for(self.clock.now + len(piece), stop)
        began_s = self.seconds()
        changes = self.engine.feed(piece)
        self.clock.fed += len(piece)
        for taker in self.takers:
            taker.on_samples(piece)
        self.publish(changes)
        self.obey()
        if self.snapshot_samples and self.clock.fed >= self.next_snapshot:
            self.next_snapshot += self.snapshot_samples
            self.shed()
            self.snapshot()
        self.load.add(self.seconds() - began_s, len(piece) / self.clock.rate_hz)

    def shed(self) -> None:
        """Leave something out if the machine cannot keep up, take it up again if it can."""
        if self.shedder is None:
            return
        backlog_s = self.source.health().backlog_s
        if said := self.shedder.look(self.seconds(), backlog_s, *self.load.news()):
            self.note("shed", "load", said)

    def publish(self, changes: Sequence[RingChange]) -> None:
        clock = self.clock
        for change in changes:
            dated, number = clock.dated(change), self.numbers[change.ch]
            event = event_from_change(dated, self.desk.names, clock.rate_hz, clock.began_s)
            alert = self.alerts.told(dated, self.desk.names)
            event = replace(event, channel=number, act=self.desk.act, alert=alert)
            event = with_sheet(event, self.desk.weak_bands(self.weak_bands).get(number))
            self.rings.take(event)
            for sink in self.sinks:
                sink.on_event(event)

    def obey(self) -> None:
        """Do what people have asked for since the last piece, and tell the sinks."""
        hand_out(self.desk.obey(self.clock.time_s, self.made_snapshot), self.sinks)

    def snapshot(self) -> None:
        if not self.snapshot_samples:
            return
        self.last_snapshot_s = self.seconds()
        snapshot = self.made_snapshot()
        for sink in self.sinks:
            sink.on_snapshot(snapshot)

    def made_snapshot(self) -> Snapshot:
        """Return what is true now."""
        view, order = self.engine.view(), self.desk.order
        return Snapshot(
            time_s=self.clock.time_s,
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
        if damage := self.repair.damage():
            source = replace(source, facts=(*source.facts, damage))
        level = 0 if self.shedder is None else self.shedder.level
        return self.complete_health(Health(source, self.load.share, shed_level=level))
