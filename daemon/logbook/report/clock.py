"""When it was: by the clock on the wall for a live watch, as a place in the stream for others.

What has a line of its own was when that line came. Stream time alone cannot tell: it stands still
while the device is away or the computer sleeps.
"""

import math
import time
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from prehowl.daemon.logbook.reader import Line, Run
from prehowl.daemon.logbook.story import ActStory
from prehowl.daemon.sinks.words import time_words

DAY_S = 86400.0
STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400)
LONGEST_STEP_S = 21600
MOST_MARKS = 9
CLOCK = "%H:%M:%S"
DATED = f"%Y-%m-%d {CLOCK}"


@dataclass(frozen=True, slots=True)
class StreamClock:
    """What the clock said along the stream of one run."""

    run: Run
    times_s: tuple[float, ...]  # stream time of the run's lines, never falling
    ats: tuple[float, ...]  # when they came, seconds since 1970

    def marks(self, begin_s: float, end_s: float) -> list[tuple[float, str]]:
        """Return round times in a part of the stream, few enough to stand under a picture.

        Parameters
        ----------
        begin_s, end_s : float
            Stream time, seconds.

        Returns
        -------
        list of (stream time, words)
            Equally far apart along the stream. Where it stood still in between, those after that
            are no round times, but true ones.
        """
        step = mark_step(end_s - begin_s)
        ahead = self._reading_s(begin_s, begin_s) - begin_s
        first = math.ceil((begin_s + ahead) / step) * step - ahead
        count = int((end_s - first) / step) + 1
        times_s = [first + n * step for n in range(count)]
        return [(time_s, self._words(self._reading_s(time_s, begin_s))) for time_s in times_s]

    def _words(self, reading_s: float) -> str:
        if self.run.is_live:
            return _clock_words(CLOCK, round(reading_s))
        return time_words(reading_s).removesuffix(".0")

    def _reading_s(self, time_s: float, begin_s: float) -> float:
        """Return what stands on the clock, in seconds; of a recording on its counter.

        The last line before counts: whatever makes stream and clock part has a line where it
        happens. What stood still at `begin_s` is over by then, what stands still at `time_s` is
        not yet.
        """
        if not self.run.is_live:
            return time_s
        before = max(bisect_left(self.times_s, time_s), bisect_right(self.times_s, begin_s))
        last = max(0, before - 1)
        return self.ats[last] + time_s - self.times_s[last] + self.run.utc_offset_s


def clocks_of(lines: Iterable[Line], runs: Sequence[Run]) -> dict[int, StreamClock]:
    """Return the clock of each run by its number."""
    read = {run.id: [(run.begin_s, run.started_at)] for run in runs}
    for line in lines:
        mine = read[line.run]
        mine.append((max(line.time_s, mine[-1][0]), line.at))  # a note may come a little late
    return {
        run.id: StreamClock(run, *(tuple(column) for column in zip(*read[run.id], strict=True)))
        for run in runs
    }


def mark_step(span_s: float) -> float:
    """Return the time between marks: the shortest round one that leaves few enough."""
    return next((step for step in STEPS_S if span_s / step <= MOST_MARKS), LONGEST_STEP_S)


def when_words(run: Run, at: float, time_s: float, *, among_others: bool = False) -> str:
    """Return a moment as the clock on the wall for a live watch, else as a place in the stream.

    Parameters
    ----------
    run : Run
    at : float
        Of the line that told of it, seconds since 1970.
    time_s : float
        Stream time.
    among_others : bool
        True also tells the day, or the run of a recording: see `need_telling_apart`.
    """
    if run.is_live:
        return _clock_words(DATED if among_others else CLOCK, at + run.utc_offset_s)
    place = time_words(time_s)
    return f"run {run.id}, {place}" if among_others else place


def span_words(run: Run, act: ActStory, *, among_others: bool = False) -> str:
    """Return from when to when an act was on; its end has a date only where that is another."""
    began = when_words(run, act.begin_at, act.begin_s, among_others=among_others)
    is_longer = among_others and run.is_live and _day(run, act.begin_at) != _day(run, act.end_at)
    return f"{began} to {when_words(run, act.end_at, act.end_s, among_others=is_longer)}"


def need_telling_apart(runs: Sequence[Run]) -> bool:
    """Tell whether a moment's time alone could be of two: of two days, or of two recordings."""
    live = [run for run in runs if run.is_live]
    days = {_day(run, run.started_at) for run in live}
    is_long = any(run.last_at - run.started_at >= DAY_S for run in live)
    return len(days) > 1 or is_long or len(runs) - len(live) > 1


def day_words(run: Run) -> str:
    """Return date and time of a run's start, at the place."""
    return _clock_words("%Y-%m-%d %H:%M", run.started_at + run.utc_offset_s)


def _day(run: Run, at: float) -> int:
    return int((at + run.utc_offset_s) // DAY_S)


def _clock_words(form: str, local_s: float) -> str:
    return time.strftime(form, time.gmtime(local_s))
