"""What every source of audio offers to the loop, whatever stands behind it."""

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.facts import BETWEEN, Fact, lines_of


@dataclass(frozen=True, slots=True)
class Block:
    """Samples in the order they came.

    `samples` has shape (samples, channels), float32, full scale = 1; it may be empty (nothing new
    within the source's patience). `lost` counts samples per channel known to be missing just
    before this block.
    """

    samples: NDArray[np.float32]
    lost: int = 0


@dataclass(frozen=True, slots=True)
class SourceHealth:
    """How a source is doing, for the screen and for OSC."""

    state: str = "running"  # running, waiting (no device), ended
    overflows: int = 0  # times the device or the ring buffer lost input
    lost_samples: int = 0
    facts: tuple[Fact, ...] = ()  # what is wrong and what is being done
    backlog_s: float = 0.0  # sound that has come and has not been fetched yet

    @property
    def detail(self) -> str:
        """All facts in one line, for a person; "" where there is none."""
        return BETWEEN.join(lines_of(self.facts))


class NumberedChannels:
    """What a source says of its channels where some of more were chosen, by number."""

    _numbers: tuple[int, ...]

    @property
    def channels(self) -> int:
        """Number of channels in every block."""
        return len(self._numbers)

    @property
    def channel_numbers(self) -> tuple[int, ...]:
        """Number on the interface or in the file, from 1, of every channel in a block."""
        return self._numbers

    @property
    def names(self) -> tuple[str, ...]:
        """Name every channel by its number there."""
        return tuple(f"Ch {number}" for number in self._numbers)


class Source(Protocol):
    """A stream of blocks. Used by one thread."""

    @property
    def rate_hz(self) -> int:
        """Samples per second."""

    @property
    def channels(self) -> int:
        """Number of channels in every block."""

    @property
    def names(self) -> tuple[str, ...]:
        """Channel names that the source knows, one each (a show file may override them)."""

    def read(self) -> Block | None:
        """Return the next block; an empty one after at most 0.1 s without news; None at the end."""

    def health(self) -> SourceHealth:
        """Return the present state; callable at any time."""

    def close(self) -> None:
        """Let go of files and devices. May be called twice."""
