"""Joins the parts: blocks in, ring changes out."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from prehowl.detectors.rings import RingChange


@dataclass(frozen=True, slots=True)
class ChannelSetup:
    """What the engine should know of one channel."""

    loop_delay_s: float = 0.008  # wedge 1.5-2 m away plus 2-4 ms of electronics
    is_reference: bool = False  # cannot be in an acoustic loop: never alarmed
    sensitivity: float = 1.0  # > 1 alarms on less evidence, < 1 asks for more


@dataclass(frozen=True, slots=True)
class EngineView:
    """The state of things now, for screens."""

    level_dbfs: NDArray[np.float32]  # (channels,)
    peak_dbfs: NDArray[np.float32]  # (channels,)
    suspicion: NDArray[np.float32]  # (channels, 31)


class Engine:
    """Find rings in a stream of samples; the same changes for the same samples, any block size."""

    def __init__(self, rate_hz: int, channels: Sequence[ChannelSetup]) -> None:
        self._channels = len(channels)

    def feed(self, block: ArrayLike) -> list[RingChange]:
        """Consume samples of shape (samples, channels); return the changes, in order of sample."""
        return []

    def finish(self) -> list[RingChange]:
        """End the stream: clear what still rings."""
        return []

    def view(self) -> EngineView:
        """Return levels and suspicion now."""
        n = self._channels
        return EngineView(
            np.full(n, -120, np.float32), np.full(n, -120, np.float32), np.zeros((n, 31), np.float32)
        )
