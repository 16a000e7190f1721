"""A fake source, sink and engine: the doubles that the tests of the daemon share.

They keep the same promises as the real ones (`conformance.py` checks source and sink), hold
everything they saw, and know no hardware, screen or network.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from prehowl.daemon.events import RingEvent
from prehowl.daemon.sinks.base import Health, Snapshot
from prehowl.daemon.sources.base import Block, SourceHealth
from prehowl.detectors.engine import EngineView
from prehowl.detectors.rings import RingChange, RingState


@dataclass
class FakeSource:
    """Hands out the given blocks, then ends. An exception among them is raised in its turn."""

    blocks: Iterable[Block | Exception]
    channels: int = 1
    rate_hz: int = 48000
    names: tuple[str, ...] = ()
    close_count: int = 0
    state: str = "running"

    def __post_init__(self) -> None:
        self.names = self.names or tuple(f"Ch {n + 1}" for n in range(self.channels))
        self._left = iter(self.blocks)

    def read(self) -> Block | None:
        """Return the next block, or None at the end."""
        block = next(self._left, None)
        if isinstance(block, Exception):
            raise block
        self.state = "ended" if block is None else "running"
        return block

    def health(self) -> SourceHealth:
        """Return the state."""
        return SourceHealth(state=self.state)

    def close(self) -> None:
        """Count the call."""
        self.close_count += 1


def chopped(samples: NDArray[np.float32], lengths: Iterable[int]) -> list[Block]:
    """Return the samples as blocks of the lengths given; the last takes what is left."""
    blocks, at = [], 0
    for length in lengths:
        blocks.append(Block(samples[at : at + length]))
        at += length
    if at < len(samples):
        blocks.append(Block(samples[at:]))
    return blocks


@dataclass
class FakeSink:
    """Keeps what it was given."""

    calls: list[str] = field(default_factory=list)
    events: list[RingEvent] = field(default_factory=list)
    snapshots: list[Snapshot] = field(default_factory=list)

    def start(self) -> None:
        """Note the call."""
        self.calls.append("start")

    def on_event(self, event: RingEvent) -> None:
        """Keep the event."""
        self.calls.append("event")
        self.events.append(event)

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Keep the snapshot."""
        self.snapshots.append(snapshot)

    def close(self) -> None:
        """Note the call."""
        self.calls.append("close")


@dataclass
class FakeEngine:
    """Raises the changes of a script as soon as their sample is consumed; keeps the audio."""

    script: Sequence[RingChange] = ()
    at_finish: Sequence[RingChange] = ()
    channels: int = 1
    pieces: list[NDArray[np.float32]] = field(default_factory=list)
    is_finished: bool = False
    left_out: list[tuple[tuple[str, ...], bool]] = field(default_factory=list)

    @property
    def consumed(self) -> int:
        """Samples per channel so far."""
        return sum(map(len, self.pieces))

    @property
    def audio(self) -> NDArray[np.float32]:
        """All samples so far, shape (samples, channels)."""
        return np.concatenate(self.pieces)

    def feed(self, block: ArrayLike) -> list[RingChange]:
        """Keep the block, return the changes that have become due."""
        before = self.consumed
        self.pieces.append(np.array(block, np.float32))
        return [change for change in self.script if before < change.sample <= self.consumed]

    def finish(self) -> list[RingChange]:
        """Return the last changes."""
        self.is_finished = True
        return list(self.at_finish)

    def leave_out(self, names: Collection[str] = (), *, references: bool = False) -> None:
        """Keep what was asked."""
        self.left_out.append((tuple(names), references))

    def view(self) -> EngineView:
        """Return a calm view."""
        quiet = np.full(self.channels, -120, np.float32)
        return EngineView(quiet, quiet, np.zeros((self.channels, 31), np.float32))


def change(
    state: RingState = RingState.RINGING,
    *,
    id: int = 1,
    ch: int = 0,
    sample: int = 4800,
    onset_sample: int | None = None,
    growth_db_per_s: float | None = 40.0,
    evidence: Mapping[str, float | None] | None = None,
    frequency_hz: float = 2513.4,
) -> RingChange:
    """Return a change of a ring in the band of 2.5 kHz."""
    return RingChange(
        id=id,
        ch=ch,
        state=state,
        sample=sample,
        onset_sample=onset_sample,
        frequency_hz=frequency_hz,
        band_hz=2500.0,
        level_dbfs=-18.2,
        growth_db_per_s=growth_db_per_s,
        margin_db=-0.4,
        cut_db=3.0,
        evidence=evidence or {"papr_db": 31.2},
    )


def event(
    state: RingState = RingState.RINGING,
    *,
    id: int = 3,
    channel: int = 1,
    channel_name: str = "Vox 1",
    time_s: float = 12.34,
    frequency_hz: float = 2513.4,
    band_hz: float = 2500.0,
    growth_db_per_s: float | None = 42.0,
    cut_db: float | None = 3.0,
    evidence: Mapping[str, float | None] | None = None,
) -> RingEvent:
    """Return an event as it reaches a sink."""
    return RingEvent(
        id=id,
        channel=channel,
        channel_name=channel_name,
        state=state,
        time_s=time_s,
        onset_s=12.19,
        frequency_hz=frequency_hz,
        band_hz=band_hz,
        level_dbfs=-18.2,
        growth_db_per_s=growth_db_per_s,
        margin_db=-0.3,
        cut_db=cut_db,
        evidence={"papr_db": 31.2, "phpr_db": None} if evidence is None else evidence,
    )


def snapshot(
    channels: int = 1, *, rings: Sequence[RingEvent] = (), time_s: float = 1.0
) -> Snapshot:
    """Return a snapshot of calm channels with the rings given."""
    quiet = np.full(channels, -60, np.float32)
    calm = np.zeros((channels, 31), np.float32)
    return Snapshot(time_s, quiet, quiet, calm, tuple(rings), Health())
