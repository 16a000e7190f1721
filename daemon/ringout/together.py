"""Several practice stages side by side through one engine: what the bench runs.

Owns the lockstep. Each stage is one channel with its own conductor, hand and truth; the engine
treats a channel in company as it does alone (contract suite), and many channels cost hardly more
than one.
"""

from collections.abc import Sequence
from typing import Any

import numpy as np

from prehowl.daemon.loop import run_loop
from prehowl.daemon.ringout.conductor import Conductor
from prehowl.daemon.ringout.floor_tap import FloorTap
from prehowl.daemon.ringout.hand import AutoHand
from prehowl.daemon.ringout.journal import Unwritten
from prehowl.daemon.ringout.practice import RATE_HZ, Choice, set_up
from prehowl.daemon.ringout.session import begin
from prehowl.daemon.ringout.state import Phase, Plan
from prehowl.daemon.ringout.summary import record_of_state
from prehowl.daemon.ringout.truth_told import TruthKeeper, truth_record
from prehowl.daemon.ringout.virtual_source import VirtualDesk, VirtualSource
from prehowl.daemon.sinks.base import Sink
from prehowl.daemon.sources.base import Block, Source, SourceHealth
from prehowl.detectors.engine import ChannelSetup, Engine

LONGEST_S = 600.0
"""A practice that takes longer is ended: it would not converge."""


class SideBySide:
    """A `Source` of several virtual stages, one channel each; a finished one falls silent."""

    rate_hz = RATE_HZ

    def __init__(self, stages: Sequence[VirtualSource]) -> None:
        self._stages = list(stages)
        self._done = [False] * len(self._stages)
        self._waiting = [np.zeros(0, np.float32) for _ in self._stages]
        self._played_s = 0.0
        self.channels = len(self._stages)
        self.names = tuple(f"stage {number}" for number in range(1, self.channels + 1))

    def finish(self, index: int) -> None:
        """Stop computing one stage."""
        self._done[index] = True

    def read(self) -> Block | None:
        """Return 20 ms of all stages, None when all are done."""
        if all(self._done) or self._played_s > LONGEST_S:
            return None
        samples = np.zeros((RATE_HZ // 50, self.channels), np.float32)
        for index, stage in enumerate(self._stages):
            if not self._done[index]:
                samples[:, index] = self._next(index, stage, len(samples))
        self._played_s += len(samples) / RATE_HZ
        return Block(samples)

    def health(self) -> SourceHealth:
        """Return the state."""
        return SourceHealth("ended" if all(self._done) else "running")

    def close(self) -> None:
        """Do nothing."""

    def _next(self, index: int, stage: VirtualSource, length: int) -> Any:
        while len(self._waiting[index]) < length:
            block = stage.read()
            if block is None:
                return 0.0
            self._waiting[index] = np.concatenate((self._waiting[index], block.samples[:, 0]))
        now, self._waiting[index] = self._waiting[index][:length], self._waiting[index][length:]
        return now


class _Ending:
    """A `Watcher` that takes a finished stage out of the row."""

    def __init__(self, row: SideBySide, index: int) -> None:
        self._row, self._index = row, index

    def on_state(self, state: Any, entry: Any) -> None:
        """Look whether it is over."""
        if state.phase is Phase.FINISHED:
            self._row.finish(self._index)

    def close(self) -> None:
        """Do nothing."""


def practise(seeds: Sequence[int], plan: Plan) -> list[dict[str, Any]]:
    """Ring out the stages of some seeds by the automatic hand and return their records.

    Returns
    -------
    list of dict
        One a seed: `summary.record_of_state` with `seed`, the stage's words and `truth`.
    """
    stages = [set_up(Choice(seed)) for seed in seeds]
    sources = [VirtualSource(stage) for stage in stages]
    row = SideBySide(sources)
    tapped: Source = row
    conductors, keepers = [], []
    sinks: list[Sink] = []
    for index, source in enumerate(sources):
        tap = FloorTap(tapped, index)
        tapped = tap
        conductor = Conductor(begin(plan), Unwritten(), channel=index + 1, floor=tap)
        hand, keeper = AutoHand(conductor.submit, index), TruthKeeper(source)
        for watcher in (keeper, VirtualDesk(source), hand, _Ending(row, index)):
            conductor.add(watcher)
        conductors.append(conductor)
        keepers.append(keeper)
        sinks += [conductor, hand]
    engine = Engine(RATE_HZ, [ChannelSetup() for _ in seeds])
    run_loop(tapped, engine, sinks, names=row.names)
    records = []
    for seed, stage, source, conductor, keeper in zip(
        seeds, stages, sources, conductors, keepers, strict=True
    ):
        record = {
            **record_of_state(conductor.state),
            "seed": seed,
            "wedge": stage.wedge,
            "microphone": stage.microphone,
            "room": stage.room,
            "distance_m": round(stage.distance_m, 2),
            "truth": truth_record(source, conductor.state, keeper),
        }
        records.append(record)
    return records
