"""A device source that keeps what it gave, and runs that count only where nobody was late."""

import itertools
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray
from rig.server import JackServer

from prehowl.daemon.sources.base import Block
from prehowl.daemon.sources.device import DeviceSource

TRIES = 3
PLAYS = itertools.count()


class Tap:
    """A device source that keeps a copy of all it gave, and ends after so many samples of sound."""

    def __init__(self, device: DeviceSource, count: int) -> None:
        self._device = device
        self._left = count
        self._has_begun = False
        self.blocks: list[NDArray[np.float32]] = []
        self.rate_hz, self.channels, self.names = device.rate_hz, device.channels, device.names
        self.health, self.close = device.health, device.close

    def read(self) -> Block | None:
        """Return the device's next block."""
        block = self._device.read() if self._left > 0 else None
        if block is not None:
            self.blocks.append(block.samples)
            self._has_begun = self._has_begun or bool(block.samples.any())
            self._left -= len(block.samples) * self._has_begun
        return block


def unbroken(server: JackServer, play: Callable[[str], tuple[int, Any]]) -> Any:
    """Return what `play` gives in a run in which nobody was late.

    A busy machine makes the server skip (its log tells) or leaves the analysis behind for longer
    than the ring holds (`play` returns the count of lost samples first): the sound then has holes,
    and no comparison with the file means anything. Three tries; a fault of ours fails them all.
    """
    for _ in range(TRIES):
        before = server.overruns()
        lost, result = play(f"stage{next(PLAYS)}")  # a killed player's name may linger
        late = server.overruns() - before
        if lost == late == 0:
            return result
    raise AssertionError(f"no run without loss in {TRIES}; last: {lost} samples, {late} overruns")
