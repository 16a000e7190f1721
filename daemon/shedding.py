"""What is left out, in which order, when the machine cannot keep up; and what is said of it.

When to leave out more, or less, is decided in `overload`. The order and its reasons are in
docs/live.md and docs/detection.md.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from prehowl.daemon.facts import Fact, facts_of
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
        self._overload = Overload(_costs(self.steps))

    @property
    def level(self) -> int:
        """Return how many steps are left out now."""
        return self._overload.level

    def take_steps(self, steps: Sequence[Step]) -> None:
        """Go by a list that is longer or shorter at its end; what is left out stays so."""
        self.steps = steps
        self._overload.costs = _costs(steps)
        if self.level > len(steps):
            self._overload.level = len(steps)
            self.apply(self.level)

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

    def facts(self) -> tuple[Fact, ...]:
        """Return what the steps that are left out mean, the gravest first."""
        return facts_of(step.left_out for step in reversed(self.steps[: self.level]))


def _costs(steps: Sequence[Step]) -> list[float]:
    """Return what all work costs at each level, as a share of what it costs at level 0."""
    costs = [1.0]
    for step in steps:
        costs.append(costs[-1] - step.saves)
    return costs
