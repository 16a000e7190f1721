"""What is left out, in which order, when the machine cannot keep up; and what is said of it.

When to leave out more, or less, is decided in `overload`. The order and its reasons are in
docs/live.md and docs/detection.md.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from prehowl.daemon.overload import Overload


@dataclass(frozen=True, slots=True)
class Step:
    """One thing that can be left out."""

    what: str  # in a few words, for a person
    lost: str  # what is not seen, or not as well, without it
    saves: float  # share of all work that it takes when nothing is left out

    @property
    def left_out(self) -> str:
        """Say that it is left out."""
        return f"too slow: {self.what} left out, {self.lost}"


@dataclass(slots=True)
class Shedder:
    """Leaves out and takes up again. Used by the loop's thread.

    Parameters
    ----------
    steps : sequence of Step
        In the order in which they are given up.
    apply : callable
        Given the number of steps that are to be left out from now on.
    """

    steps: Sequence[Step]
    apply: Callable[[int], None]
    _overload: Overload = field(init=False)

    def __post_init__(self) -> None:
        costs = [1.0]
        for step in self.steps:
            costs.append(costs[-1] - step.saves)
        self._overload = Overload(costs)

    @property
    def level(self) -> int:
        """Return how many steps are left out now."""
        return self._overload.level

    def look(self, now_s: float, backlog_s: float, share: float, stream_s: float) -> str:
        """Look at how the machine keeps up; return what was changed, in words, or "".

        Parameters
        ----------
        now_s : float
            Monotonic time.
        backlog_s : float
            Sound that has come and waits, seconds.
        share : float
            Seconds of work for a second of sound, over the `stream_s` seconds since the last call.
        stream_s : float
        """
        before = self.level
        level = self._overload.look(now_s, backlog_s, share, stream_s)
        if level == before:
            return ""
        self.apply(level)
        step = self.steps[max(level, before) - 1]
        if level > before:
            return step.left_out
        rest = "; all is done again" if level == 0 else ""
        return f"room again: {step.what} taken up{rest}"

    def trouble(self, number: int) -> str:
        """Return what a step (from 0) that is left out means, in one line; "" if it is done."""
        return self.steps[number].left_out if number < self.level else ""
