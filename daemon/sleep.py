"""How long the computer slept: a clock that goes on meanwhile against one that stands still.

In a sleep Linux' CLOCK_MONOTONIC stands still and CLOCK_BOOTTIME goes on; nobody can set either
(clock_gettime(2)), so that a time of day which is set is never taken for a sleep. Where a system
has no such pair nothing is known of its sleeps.
"""

import time
from collections.abc import Callable

_GOES_ON = getattr(time, "CLOCK_BOOTTIME", None)
IS_KNOWN = _GOES_ON is not None
"""Whether this system tells of its sleeps."""
LEAST_S = 1.0
"""A machine without a clock of its own for it counts a sleep in whole seconds."""


def passed_s() -> float:
    """Return the seconds of a clock that nobody sets, sleeps of the computer included if known."""
    return time.monotonic() if _GOES_ON is None else time.clock_gettime(_GOES_ON)


def sleep_words(slept_s: float) -> str:
    """Return the length of a sleep for a person: '45 s', '10 min'."""
    return f"{slept_s:.0f} s" if slept_s < 120 else f"{slept_s / 60:.0f} min"


class SleepMeter:
    """Tells each sleep once. Used by one thread."""

    def __init__(
        self,
        awake: Callable[[], float] = time.monotonic,
        always: Callable[[], float] = passed_s,
    ) -> None:
        """Count from now on; `awake` stands still in a sleep, `always` goes on."""
        self._awake, self._always = awake, always
        _, self._known_s = self._apart_s()

    def news_s(self) -> float:
        """Return how long the computer slept since the last call; 0 for not at all."""
        least_s, most_s = self._apart_s()
        slept_s = least_s - self._known_s
        if slept_s < LEAST_S:
            return 0.0
        self._known_s = most_s
        return slept_s

    def _apart_s(self) -> tuple[float, float]:
        """Return by how much the clocks are apart, at least and at most.

        This process may be made to wait between two readings, for seconds where the computer is
        swamped: the least now against the most before never takes that for a sleep.
        """
        before_s = self._awake()
        always_s = self._always()
        return always_s - self._awake(), always_s - before_s
