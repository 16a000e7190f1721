"""How much of the work to leave out when the machine cannot keep up, and when to take it up again.

Pure: time is handed in. Level 0 does everything; each level more does without one thing more, in
an order that is fixed elsewhere (`shedding`). Down by one level when sound waits and would not be
caught up with soon; back by one when, by what the level is known to cost, there is room for it,
and has been for a while. A return that fails makes the next one wait longer, so that a load at the
edge does not make it swing.
"""

from collections.abc import Sequence
from dataclasses import dataclass

LATE_S = 0.25
"""Sound may wait for so long without harm: bursts of a device and of the computer's other work."""
CATCH_UP_S = 8.0
"""A backlog that is gone within this time at the present speed needs no measures."""
PATIENCE_S = 0.5
"""How long it must be so before a step: long enough to see what the step before has done."""
WARM_UP_S = 2.0
"""Of sound, before anything is given up: a beginning is slow on any computer."""
MEMORY_S = 1.0
"""Of sound, over which the share of real time is averaged."""
MOST_SHARE = 4.0
"""One stretch counts as this at most: a computer that was asleep has not been slow."""
ROOM = 0.85
"""Share of real time that the work may be expected to take after a step back."""
HOLD_S = 10.0
"""There must have been room for so long."""
LONGEST_HOLD_S = 600.0
TRIAL_S = 300.0
"""A step back that has to be undone within this time has failed: the next wait is doubled."""


@dataclass(slots=True)
class Overload:
    """The level, changed in place by one thread.

    Parameters
    ----------
    costs : sequence of float
        What all work costs at each level, as a share of what it costs at level 0: it begins with
        1 and falls. There is one level less than there are entries.
    """

    costs: Sequence[float]
    level: int = 0
    _total_s: float = 0.0  # of sound since the beginning
    _share: float = 0.0  # of real time, averaged
    _heard_s: float = 0.0  # of sound since the last change
    _behind_from_s: float | None = None
    _room_from_s: float | None = None
    _hold_s: float = HOLD_S
    _returned_s: float | None = None  # of a step back that is still on trial

    def look(self, now_s: float, backlog_s: float, share: float, stream_s: float) -> int:
        """Return the level from now on; it differs from the one before by one at most.

        Parameters
        ----------
        now_s : float
            Monotonic time.
        backlog_s : float
            Sound that has come and waits, seconds.
        share : float
            Seconds of work for a second of sound, over the sound since the last call.
        stream_s : float
            Length of that sound, seconds.
        """
        self._average(min(share, MOST_SHARE), stream_s)
        self._behind_from_s = _since(self._behind_from_s, now_s, self._is_behind(backlog_s))
        self._room_from_s = _since(self._room_from_s, now_s, self._has_room(backlog_s))
        if self._returned_s is not None and now_s - self._returned_s >= TRIAL_S:
            self._hold_s, self._returned_s = HOLD_S, None  # the step back has held
        if _has_lasted(self._behind_from_s, now_s, PATIENCE_S):
            self._give_up()
        elif _has_lasted(self._room_from_s, now_s, self._hold_s):
            self._change(-1)
            self._returned_s = now_s
        return self.level

    def _average(self, share: float, stream_s: float) -> None:
        self._total_s += stream_s
        self._heard_s += stream_s
        weight = min(1.0, stream_s / max(min(self._heard_s, MEMORY_S), 1e-9))
        self._share += weight * (share - self._share)

    def _is_behind(self, backlog_s: float) -> bool:
        if backlog_s <= LATE_S or self._total_s < WARM_UP_S:
            return False
        return self._share >= 1 or backlog_s * self._share / (1 - self._share) > CATCH_UP_S

    def _has_room(self, backlog_s: float) -> bool:
        if self.level == 0 or backlog_s > LATE_S:
            return False
        return self._share * self.costs[self.level - 1] / self.costs[self.level] <= ROOM

    def _give_up(self) -> None:
        if self.level == len(self.costs) - 1:
            return  # nothing is left to do without
        if self._returned_s is not None:
            self._hold_s, self._returned_s = min(2 * self._hold_s, LONGEST_HOLD_S), None
        self._change(1)

    def _change(self, by: int) -> None:
        self.level += by
        self._share = self._heard_s = 0.0
        self._behind_from_s = self._room_from_s = None


def _since(before_s: float | None, now_s: float, is_so: bool) -> float | None:
    if not is_so:
        return None
    return now_s if before_s is None else before_s


def _has_lasted(from_s: float | None, now_s: float, seconds: float) -> bool:
    return from_s is not None and now_s - from_s >= seconds
