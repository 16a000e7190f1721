"""A source that passes its blocks on and listens to one channel on the way: floor and silence."""

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.ringout.hearing import SILENT_DBFS
from prehowl.daemon.sources.around import Around
from prehowl.daemon.sources.base import Block, Source
from prehowl.detectors.noise_floor import NoiseFloor

SANEST_PEAK = 10.0
LEAVE_OUT_S = 0.8
"""The newest span that does not count: what an alarm tells of has begun in it."""

GAP_S = 0.5
"""Silence of this length may end a ring that sounds on; a shorter gap does not reach through the
settling time."""

_SILENT_POWER = 0.5 * 10 ** (SILENT_DBFS / 10)
"""Mean square of a block at the limit; a full-scale sine has a half."""


class FloorTap(Around):
    """A `Source` around another one.

    Parameters
    ----------
    source : Source
    column : int
        Index of the channel whose floor is read.
    minds_silence : bool
        Silence of `GAP_S` counts as sound that was missing: a channel that is muted at a ring has
        not been heard to stop ringing. Not where nobody could be asked, as with a recording.
    """

    def __init__(self, source: Source, column: int, *, minds_silence: bool = False) -> None:
        super().__init__(source)
        self._column = column
        self._floor = NoiseFloor(source.rate_hz)
        self._gaps = 0
        self._minds_silence = minds_silence
        self._silent = 0  # samples, up to now

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

    def at_rate(self, rate_hz: int) -> None:
        """Go on at another rate: what rang was not heard to its end."""
        self._floor = NoiseFloor(rate_hz)
        self._silent = 0
        self._gaps += 1

    def _listen(self, samples: NDArray[np.float32]) -> None:
        self._mind_silence(samples)
        if bool((np.abs(samples) <= SANEST_PEAK).all()):  # False for NaN, too
            self._floor.feed(samples)

    def _mind_silence(self, samples: NDArray[np.float32]) -> None:
        """Count a silence once, when it has become long."""
        is_silent = float(np.mean(np.square(samples, dtype=np.float64))) <= _SILENT_POWER
        before, longest = self._silent, GAP_S * self.rate_hz
        self._silent = before + len(samples) if is_silent else 0
        self._gaps += self._minds_silence and before < longest <= self._silent
