"""The clock on the wall against the one that only goes on: a step is worth a line in the logbook.

Entries are in the order they came, whatever the wall clock does; their stream time never steps.
"""

import time
from collections.abc import Callable

STEP_S = 2.0
"""A time server slews by less; a person, a time zone that is no zone, or a sleep makes more."""


class WallClock:
    """Gives the time of day and notices steps. Used by one thread."""

    def __init__(
        self,
        wall: Callable[[], float] = time.time,
        steady: Callable[[], float] = time.monotonic,
    ) -> None:
        """Compare `wall` (seconds since 1970) with `steady`."""
        self._wall, self._steady = wall, steady
        self._offset_s = wall() - steady()

    def step(self) -> str:
        """Return what has happened to the wall clock since the last call, in words; "" for nothing.

        The steady clock of Linux stands still while the computer sleeps, so a sleep looks like a
        step forward.
        """
        offset_s = self._wall() - self._steady()
        moved_s, self._offset_s = offset_s - self._offset_s, offset_s
        if abs(moved_s) < STEP_S:
            return ""
        why = "was set" if moved_s < 0 else "was set, or the computer slept"
        return f"the clock {why}: {moved_s:+.0f} s"
