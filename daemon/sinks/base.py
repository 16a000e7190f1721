"""What the loop hands to every sink, and what it asks of one.

A sink must never hold up detection: one that can block (network, screen) does its work in a
thread of its own behind a bounded queue, and counts what it had to throw away.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.events import RingEvent
from prehowl.daemon.facts import BETWEEN, Fact, lines_of
from prehowl.daemon.sources.base import SourceHealth
from prehowl.daemon.weak_bands import WeakBands


@dataclass(frozen=True, slots=True)
class OscInCounts:
    """What OSC in has taken and refused so far."""

    where: str  # host and port
    taken: int
    refused: int

    @property
    def words(self) -> str:
        """All of it for a person, after the word OSC."""
        return f"in {self.where}, {self.taken} in, {self.refused} refused"


@dataclass(frozen=True, slots=True)
class Health:
    """How the daemon is doing."""

    source: SourceHealth = field(default_factory=SourceHealth)
    load: float = 0.0  # seconds of work for a second of sound, over the last second, 0..
    dropped_blocks: int = 0  # blocks that we threw away because analysis lagged
    targets: tuple[tuple[str, str], ...] = ()  # OSC target name -> "ok" or what is wrong
    troubles: tuple[Fact, ...] = ()  # what else is wrong now
    shed_level: int = 0  # how many things are left out because the machine cannot keep up
    osc_in: OscInCounts | None = None  # None where OSC in is off

    @property
    def detail(self) -> str:
        """All that is wrong in one line, for a person; "" where nothing is."""
        return BETWEEN.join(lines_of((*self.source.facts, *self.troubles)))


@dataclass(frozen=True, slots=True)
class Snapshot:
    """What is true now, for screens. Made a few times a second; never changed afterwards."""

    time_s: float  # stream time
    level_dbfs: NDArray[np.float32]  # (channels,) RMS of the last 0.1 s or so, sine at 0 dBFS = 0
    peak_dbfs: NDArray[np.float32]  # (channels,) sample peak in the same span
    suspicion: NDArray[np.float32]  # (channels, 31) 0..1, 1 = alarm, per graphic-EQ band
    rings: tuple[RingEvent, ...]  # newest event of every ring that is not cleared, worst first
    health: Health
    names: tuple[str, ...] = ()  # by row, as they are in this act; () where nobody told
    act: str | None = None  # who is on, where there is a running order
    next_act: str | None = None
    act_number: int = 0  # from 1; 0 without a running order
    acts: int = 0
    held: frozenset[int] = frozenset()  # channel numbers whose rings are told but not pushed
    weak_bands: Mapping[int, WeakBands] | None = None  # by channel number; None: nobody told


class Sink(Protocol):
    """A taker of events. All calls come from the loop's thread."""

    def start(self) -> None:
        """Open what is needed; raise PrehowlError where the user asked for the impossible."""

    def on_event(self, event: RingEvent) -> None:
        """Take one event. Must return at once."""

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Take the state of things, about ten times a second. Must return at once."""

    def close(self) -> None:
        """Send or write what is pending within a second, restore what was changed."""


@runtime_checkable
class RateTaker(Protocol):
    """A sink that must know how many samples make a second."""

    def on_rate(self, rate_hz: int) -> None:
        """Take note that from the next sample on there are so many a second. At once."""


@runtime_checkable
class SampleTaker(Protocol):
    """A sink that also wants the samples that the engine gets; each piece before its events."""

    def on_samples(self, samples: NDArray[np.float32]) -> None:
        """Take samples (samples, channels), full scale = 1; lost ones as silence. At once."""
