"""A practice stage as a source of one channel, its mix, with faders that move.

Owns the virtual desk: the send of the one microphone, the graphic equaliser of the one mix. Whoever
watches the ring-out as `VirtualDesk` moves them: the faders are always where the state counts them.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.ringout.acts import Entry
from prehowl.daemon.ringout.loop_truth import LoopTruth
from prehowl.daemon.ringout.practice import RATE_HZ, Practice
from prehowl.daemon.ringout.state import State
from prehowl.daemon.sources.base import Block, SourceHealth

READ_S = 0.02
START_BELOW_DB = 4.2
"""The send begins so far below the loop's limit: the engineer has brought it up by ear."""
MOVE_S = 0.8
"""How long a hand takes for a decibel or two."""


class VirtualSource:
    """A `Source` that the ring-out's state moves.

    Parameters
    ----------
    practice : Practice
    """

    channels = 1
    names = ("Mix",)
    rate_hz = RATE_HZ

    def __init__(self, practice: Practice) -> None:
        self._practice, self._stage = practice, practice.stage
        self.truth = LoopTruth(self._stage.loop_state().taps[0, 0], RATE_HZ)
        self.flat_limit_db = self.truth.limit(np.zeros(31))[0]
        self.start_db = self.flat_limit_db - START_BELOW_DB
        self._stage.sends.move((0, 0), self.start_db, 0.0)
        self._stage.sends.next(1)
        self.send_db = self.start_db
        self._has_ended = False

    def read(self) -> Block | None:
        """Return some 20 ms, computed now; None once it is ended."""
        if self._has_ended:
            return None
        parts: list[NDArray[np.float32]] = []
        length = self._stage.block_length
        for _ in range(max(1, round(READ_S * RATE_HZ / length))):
            programme, playback = self._practice.programme.next(length)
            _, mix = self._stage.step(programme, playback[None])
            parts.append(np.clip(mix.T, -1.0, 1.0).astype(np.float32))
        return Block(np.concatenate(parts))

    def health(self) -> SourceHealth:
        """Return the state; a virtual stage has no troubles of its own."""
        return SourceHealth("ended" if self._has_ended else "running")

    def end(self) -> None:
        """Let the next read be the end."""
        self._has_ended = True

    def close(self) -> None:
        """End."""
        self.end()

    def move_send(self, to_db: float, over_s: float = MOVE_S) -> None:
        """Move the send to an absolute gain in dB."""
        self.send_db = to_db
        self._stage.sends.move((0, 0), to_db, over_s)

    def move_faders(self, cuts_db: Sequence[float]) -> None:
        """Pull the faders of the mix' equaliser to these cuts, dB >= 0."""
        equaliser = self._stage.equalisers[0]
        for fader, cut in enumerate(cuts_db):
            if equaliser.bands_db[fader] != -cut:
                equaliser.move(fader, -cut)

    @property
    def gain_db(self) -> float:
        """Where the send is now, on its way included."""
        return float(self._stage.sends.now_db[0, 0])

    @property
    def now_s(self) -> float:
        """Seconds played."""
        return self._stage.now / RATE_HZ


class VirtualDesk:
    """A `Watcher` that keeps the virtual desk where the state counts it."""

    def __init__(self, source: VirtualSource) -> None:
        self._source = source

    def on_state(self, state: State, entry: Entry | None) -> None:
        """Follow the cuts and the gain."""
        self._source.move_faders(state.cuts_db)
        wanted_db = self._source.start_db + state.raised_db
        if wanted_db != self._source.send_db:
            self._source.move_send(wanted_db)

    def close(self) -> None:
        """Leave the faders."""
