"""An engine that can be replaced while it runs: ids and sample counts go on where they were."""

from collections.abc import Collection, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.engine_like import SparingEngine
from prehowl.detectors.engine import ChannelSetup, EngineView
from prehowl.detectors.rings import RingChange


class ReplaceableEngine:
    """Passes samples to one engine after another. Used by the loop's thread only."""

    def __init__(self, engine: SparingEngine) -> None:
        """Begin with `engine`."""
        self._engine = engine
        self._left_out: Collection[str] = ()
        self._without_references = False
        self._fed = 0  # samples per channel, all engines together
        self._began = 0  # of these, before the present engine
        self._id_base = 0
        self._highest_id = 0
        self._left: list[RingChange] = []  # the last words of engines before

    def feed(self, block: NDArray[np.float32]) -> list[RingChange]:
        """Consume samples; return the changes in order, those of a replaced engine first."""
        self._fed += len(block)
        left, self._left = self._left, []
        return left + self._counted_on(self._engine.feed(block))

    def finish(self) -> list[RingChange]:
        """End the stream: clear what still rings."""
        left, self._left = self._left, []
        return left + self._counted_on(self._engine.finish())

    def view(self) -> EngineView:
        """Return levels and suspicion now."""
        return self._engine.view()

    def set_up(self, channels: Sequence[ChannelSetup]) -> None:
        """Go on with other setups; what rings goes on ringing. See `Engine.set_up`."""
        self._engine.set_up(channels)

    def leave_out(self, names: Collection[str] = (), *, references: bool = False) -> None:
        """Do without a part of the work, also with engines to come; see `Engine.leave_out`."""
        self._left_out, self._without_references = names, references
        self._engine.leave_out(names, references=references)

    def replace(self, engine: SparingEngine) -> None:
        """Go on with another engine for the same channels; what rang is cleared first."""
        self._left += self._counted_on(self._engine.finish())
        self._begin(engine)

    def restart(self, engine: SparingEngine) -> None:
        """Go on with an engine for another rate, after `finish`: samples count from 0 again."""
        self._fed = 0
        self._begin(engine)

    def _begin(self, engine: SparingEngine) -> None:
        self._engine = engine
        self._began = self._fed
        self._id_base = self._highest_id
        engine.leave_out(self._left_out, references=self._without_references)

    def _counted_on(self, changes: Sequence[RingChange]) -> list[RingChange]:
        counted = [self._moved(change) for change in changes]
        self._highest_id = max([self._highest_id, *(change.id for change in counted)])
        return counted

    def _moved(self, change: RingChange) -> RingChange:
        onset = change.onset_sample
        return replace(
            change,
            id=change.id + self._id_base,
            sample=change.sample + self._began,
            onset_sample=None if onset is None else onset + self._began,
        )
