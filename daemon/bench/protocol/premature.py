"""The survey's measure of premature alarms: none may come before the loop gain passes the limit.

After van Waterschoot & Moonen 2011 (read in full): phases of equal length, the gain 3 dB under the
limit in the first, rising straight in dB to dK over that start in the second, held in the third. A
false alarm showed there as a notch set before the gain passes the limit; here it is an alarm of the
engine, at any frequency. Ours: phases of 5 s (theirs 7.5 and 15), three of the four (the fourth,
with another path, measured what the notches left), dK of 3, 5 and 6 dB, and a step of 20 ms to 3 dB
over the limit, which is how a fader is pushed.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.bench import hearing, pool, score
from prehowl.daemon.bench.protocol import loops
from prehowl.daemon.bench.protocol.loops import RATE_HZ, Order

Real = NDArray[np.float64]

PHASE_S = 5.0
START_DB = -3.0
STEP_S = 0.02
BATCH = 4


@dataclass(frozen=True, slots=True)
class Course:
    """How the gain goes."""

    name: str
    rise_db: float  # dK
    rise_s: float

    def gain_db(self, samples: int) -> Real:
        """Return the gain against the limit at each sample, dB."""
        points = (PHASE_S, PHASE_S + self.rise_s)
        return np.interp(np.arange(samples) / RATE_HZ, points, (START_DB, START_DB + self.rise_db))

    @property
    def passing_s(self) -> float | None:
        """Return when the gain passes the limit; None if it only comes up to it."""
        if START_DB + self.rise_db <= 0:
            return None
        return PHASE_S - START_DB / self.rise_db * self.rise_s


COURSES = (
    Course("ramp to the limit", 3.0, PHASE_S),
    Course("ramp to +2 dB", 5.0, PHASE_S),
    Course("ramp to +3 dB", 6.0, PHASE_S),
    Course("step to +3 dB", 6.0, STEP_S),
)


@dataclass(frozen=True, slots=True)
class Job:
    """Some loops on one course."""

    orders: tuple[Order, ...]
    course: Course


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the engine said of one loop."""

    kind: str
    course: str
    premature: int  # alarms before the limit is passed, or reached where it is not passed
    early_suspects: int  # ids that were suspects, not alarms, before
    alarm_s: float | None  # first alarm at the howl from the passing on, after it


def do(job: Job) -> tuple[Verdict, ...]:
    """Do one job."""
    made, _ = loops.simulate(job.orders, job.course.gain_db)
    told = hearing.changes_of(np.stack([loop.samples for loop in made]), RATE_HZ)
    return tuple(
        verdict(loop.kind, job.course, loop.howl_hz, score.stories(changes, RATE_HZ))
        for loop, changes in zip(made, told, strict=True)
    )


def verdict(kind: str, course: Course, howl_hz: float, told: Sequence[score.Story]) -> Verdict:
    """Judge one loop's stories against the time at which the gain passes the limit."""
    passing_s = course.passing_s
    due_s = PHASE_S + course.rise_s if passing_s is None else passing_s
    alarms = [s.alarm_s for s in told if s.alarm_s is not None]
    suspects = [s.suspect_s for s in told if s.suspect_s is not None and s.suspect_s < due_s]
    turned = sum(s.suspect_s is not None and (s.alarm_s or np.inf) < due_s for s in told)
    return Verdict(
        kind=kind,
        course=course.name,
        premature=sum(alarm_s < due_s for alarm_s in alarms),
        early_suspects=len(suspects) - turned,
        alarm_s=None if passing_s is None else _delay_s(told, howl_hz, passing_s),
    )


def _delay_s(told: Sequence[score.Story], howl_hz: float, passing_s: float) -> float | None:
    """Return how long after the passing the howl is first alarmed; 0 if an alarm stood already."""
    near = [s for s in told if abs(score.cents(s.frequency_hz, howl_hz)) <= score.NEAR_CENTS]
    if any(s.stands_at(passing_s) for s in near):
        return 0.0
    later = [s.alarm_s - passing_s for s in near if (s.alarm_s or 0.0) > passing_s and s.alarm_s]
    return min(later, default=None)


def jobs_of(split: str, files: int, seed: int) -> list[Job]:
    """Cut a run into jobs: every loop on every course."""
    drawn = loops.orders(split, files, seed, 3 * PHASE_S)
    batches = [tuple(drawn[at : at + BATCH]) for at in range(0, len(drawn), BATCH)]
    return [Job(batch, course) for batch in batches for course in COURSES]


def run(jobs: Sequence[Job], processes: int, done: Callable[[int, int], None]) -> Iterator[Verdict]:
    """Do all jobs; `done` is told (jobs done, of how many) after each."""
    for number, part in enumerate(pool.each(do, jobs, processes), start=1):
        done(number, len(jobs))
        yield from part
