"""The clock on the wall against the one that only goes on: a step is worth a line in the logbook.

Entries are in the order they came, whatever the wall clock does; their stream time never steps.
"""

import time
from collections.abc import Callable

from prehowl.daemon.sleep import IS_KNOWN, SleepMeter, passed_s, sleep_words

STEP_S = 2.0
"""A time server slews by less; a person, or a time zone that is no zone, makes more."""
SET = "was set" if IS_KNOWN else "was set, or the computer slept"


class WallClock:
    """Knows the time of day and notices steps and sleeps. Used by one thread."""

    def __init__(
        self,
        wall: Callable[[], float] = time.time,
        steady: Callable[[], float] = passed_s,
        sleep: SleepMeter | None = None,
    ) -> None:
        """Compare `wall` (seconds since 1970) with `steady`, which sleeps do not stop if known."""
        self._wall, self._steady = wall, steady
        self._sleep = sleep or SleepMeter()
        self._offset_s = wall() - steady()

    def step(self) -> str:
        """Return what has happened to the time of day since the last call, in words; or ""."""
        offset_s = self._wall() - self._steady()
        moved_s, self._offset_s = offset_s - self._offset_s, offset_s
        told = []
        if slept_s := self._sleep.news_s():
            told.append(f"the computer slept for {sleep_words(slept_s)}")
        if abs(moved_s) >= STEP_S:
            told.append(f"the clock {'was set' if moved_s < 0 else SET}: {moved_s:+.0f} s")
        return "; ".join(told)
