"""What the daemon asks of an engine; `prehowl.detectors.engine.Engine` is one."""

from collections.abc import Collection, Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.engine import ChannelSetup, EngineView
from prehowl.detectors.rings import RingChange


class EngineLike(Protocol):
    """What the loop asks of an engine."""

    def feed(self, block: NDArray[np.float32]) -> list[RingChange]:
        """Consume samples (samples, channels); return the changes in order."""

    def finish(self) -> list[RingChange]:
        """End the stream: clear what still rings."""

    def view(self) -> EngineView:
        """Return levels and suspicion now."""


class SparingEngine(EngineLike, Protocol):
    """An engine that can do without a part of its work, and take other setups on the way."""

    def set_up(self, channels: Sequence[ChannelSetup]) -> None:
        """Go on with other setups of the same channels, references where they were."""

    def leave_out(self, names: Collection[str] = (), *, references: bool = False) -> None:
        """Do without these resolutions, and reference channels, from now on; with all others."""
