"""When the stage's loop passes its limit, and when it comes back: the log of the truth."""

from dataclasses import dataclass

import numpy as np

from prehowl.daemon.stage.stage import LoopState
from prehowl.daemon.stage.stage_truth import StageMode, stage_modes

SAME_SHARE = 0.03
"""Modes of two moments nearer than this in frequency are one."""


@dataclass(frozen=True, slots=True)
class Crossing:
    """One mode passes the limit, upwards or downwards."""

    time_s: float
    takes_off: bool  # False: it is stable again
    mode: StageMode


class TruthWatch:
    """Follows the modes from moment to moment.

    A crossing is placed between two looks by a straight line through the mode's growth.
    """

    def __init__(self) -> None:
        self._seen: LoopState | None = None
        self._before: list[StageMode] = []
        self._before_s = 0.0
        self.running: list[StageMode] = []  # modes above the limit at the last look

    def look(self, state: LoopState, rate_hz: float, time_s: float) -> list[Crossing]:
        """Compare the present with the last look; costs nothing if nothing has moved."""
        if self._seen is not None and _same(state, self._seen):
            self._before_s = time_s
            return []
        modes = stage_modes(state, rate_hz)
        found = [self._up(mode, time_s) for mode in modes if self._is_new(mode)]
        found += [self._down(mode, modes, time_s) for mode in self.running if _over(modes, mode)]
        self.running = [mode for mode in modes if mode.growth_db_per_s > 0]
        self._seen, self._before, self._before_s = state, modes, time_s
        return sorted(found, key=lambda crossing: crossing.time_s)

    def _is_new(self, mode: StageMode) -> bool:
        return mode.growth_db_per_s > 0 and _nearest(self.running, mode) is None

    def _up(self, mode: StageMode, time_s: float) -> Crossing:
        return Crossing(self._between(_nearest(self._before, mode), mode, time_s), True, mode)

    def _down(self, mode: StageMode, modes: list[StageMode], time_s: float) -> Crossing:
        return Crossing(self._between(mode, _nearest(modes, mode), time_s), False, mode)

    def _between(self, old: StageMode | None, new: StageMode | None, time_s: float) -> float:
        if old is None or new is None:
            return time_s
        way = new.growth_db_per_s - old.growth_db_per_s
        share = float(np.clip(-old.growth_db_per_s / way, 0.0, 1.0)) if way else 1.0
        return self._before_s + share * (time_s - self._before_s)


def _over(modes: list[StageMode], mode: StageMode) -> bool:
    """Tell whether a mode that ran is no longer above the limit."""
    now = _nearest(modes, mode)
    return now is None or now.growth_db_per_s <= 0


def _nearest(modes: list[StageMode], mode: StageMode) -> StageMode | None:
    near = [m for m in modes if abs(m.frequency_hz / mode.frequency_hz - 1) < SAME_SHARE]
    return min(near, key=lambda m: abs(m.frequency_hz - mode.frequency_hz), default=None)


def _same(a: LoopState, b: LoopState) -> bool:
    return (
        a.taps is b.taps
        and all(x is y for x, y in zip(a.sections, b.sections, strict=True))
        and bool(np.array_equal(a.send_db, b.send_db))
    )
