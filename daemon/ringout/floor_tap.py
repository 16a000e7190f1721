"""A source that passes its blocks on and listens to the noise floor of one channel on the way."""

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.sources.around import Around
from prehowl.daemon.sources.base import Block, Source
from prehowl.detectors.noise_floor import NoiseFloor

SANEST_PEAK = 10.0
LEAVE_OUT_S = 0.8
"""The newest span that does not count: what an alarm tells of has begun in it."""

GAP_S = 0.5
"""Silence of this length may end a ring that sounds on; a shorter gap does not reach through the
settling time."""


class FloorTap(Around):
    """A `Source` around another one.

    Parameters
    ----------
    source : Source
    column : int
        Index of the channel whose floor is read.
    """

    def __init__(self, source: Source, column: int) -> None:
        super().__init__(source)
        self._column = column
        self._floor = NoiseFloor(source.rate_hz)
        self._gaps = 0

    def read(self) -> Block | None:
        """Return the inner source's next block."""
        block = self._source.read()
        self._gaps += block is not None and block.lost >= GAP_S * self.rate_hz
        if block is not None and len(block.samples):
            self._listen(block.samples[:, self._column])
        return block

    @property
    def gaps(self) -> int:
        """How many times so much sound was missing that a ring may have come to its end in it."""
        return self._gaps

    def read_floor(self, leave_out_s: float = LEAVE_OUT_S) -> tuple[float, ...] | None:
        """Return the floor per band, dBFS, of the last two seconds; None: too little heard."""
        floor = self._floor.read_dbfs(leave_out_s)
        return None if floor is None else tuple(round(float(level), 2) for level in floor)

    def forget(self) -> None:
        """Begin anew: what was heard was a ring, or another gain."""
        self._floor.forget()

    def _listen(self, samples: NDArray[np.float32]) -> None:
        if bool((np.abs(samples) <= SANEST_PEAK).all()):  # False for NaN, too
            self._floor.feed(samples)
