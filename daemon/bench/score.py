"""Match what the engine said with the truth, case by case.

One alarm belongs to one true ring: the first whose frequency lies within `NEAR_CENTS` of it and
which was raised, or still stood, after the loop gain passed the limit. An alarm more than
`NEAR_CENTS` from every frequency at which the loop may truly ring is a wrong alarm.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from prehowl.daemon.bench.cases import RATE_HZ, Case, TrueRing
from prehowl.daemon.bench.records import HeardCase
from prehowl.detectors.bands import nominal_hz
from prehowl.detectors.rings import RingChange, RingState

SAME_MODE_CENTS = 5.0
NEAR_CENTS = 200.0
CLEAR_WITHIN_S = 1.5
AUDIBLE_DB = 20.0
"""A tail this far under the programme's RMS is not heard; common practice, no source."""
INSTANT_S = 0.1
"""A ring not faster than 100 dB/s that takes over sooner than this after the limit did not rise:
the programme itself stood at its frequency. Such rings are reported in a row of their own."""


@dataclass(frozen=True, slots=True)
class Story:
    """One ring id on one channel: when it entered what."""

    id: int
    frequency_hz: float  # at the alarm; of a mere suspect: at its first event
    suspect_s: float | None
    alarm_s: float | None
    cleared_s: float | None

    def stands_at(self, time_s: float) -> bool:
        """Tell whether it was alarmed before and not cleared by then."""
        alarmed = self.alarm_s is not None and self.alarm_s <= time_s
        return alarmed and (self.cleared_s is None or self.cleared_s > time_s)


@dataclass(frozen=True, slots=True)
class RingScore:
    """How one true ring fared."""

    spec_name: str
    kind: str
    programme: str
    tap: str
    true: TrueRing
    alarm_s: float | None
    error_cents: float | None  # against the nearest mode of the loop
    is_right_band: bool | None
    cleared_in_time: bool | None  # None where nothing was pulled or nothing alarmed
    alarms: int  # ids that were alarms of it
    cut_short: int  # of these, told as over while it stood

    @property
    def lead_s(self) -> float | None:
        """Time from alarm to takeover; below zero the alarm was late."""
        if self.alarm_s is None or self.true.takeover_s is None:
            return None
        return self.true.takeover_s - self.alarm_s

    @property
    def is_instant(self) -> bool:
        """Tell whether the programme stood at the ring's frequency already."""
        return is_instant(self.true)

    def alarmed_by(self, after_takeover_s: float) -> bool:
        """Tell whether the alarm came before takeover plus some grace."""
        lead = self.lead_s
        return lead is not None and lead >= -after_takeover_s


def is_instant(ring: TrueRing) -> bool:
    """Tell whether a ring had no rise to see: see `INSTANT_S`."""
    slow = ring.growth_db_per_s <= 100
    return slow and ring.takeover_s is not None and ring.takeover_s - ring.crossing_s < INSTANT_S


@dataclass(frozen=True, slots=True)
class CaseScore:
    """How one case fared."""

    name: str
    kind: str
    seconds: float
    rings: tuple[RingScore, ...]
    wrong_alarms: int
    harmonic_alarms: int  # those of the wrong ones at a multiple of a true ring
    early_alarms: int  # right frequency, before the loop passed its limit
    is_audible: bool  # a ring came within `AUDIBLE_DB` of the programme
    is_suspected: bool  # any event at a real mode after the act began
    is_alarmed: bool  # an alarm there


def stories(changes: Iterable[RingChange], rate_hz: int = RATE_HZ) -> list[Story]:
    """Gather changes by ring id, in order of first appearance."""
    by_id: dict[int, list[RingChange]] = {}
    for change in changes:
        by_id.setdefault(change.id, []).append(change)
    return [_story(own, rate_hz) for own in by_id.values()]


def _story(changes: list[RingChange], rate_hz: int) -> Story:
    alarms = [c for c in changes if c.state in (RingState.RINGING, RingState.HOWLING)]
    suspects = [c for c in changes if c.state is RingState.SUSPECT]
    cleared = [c for c in changes if c.state is RingState.CLEARED]
    return Story(
        id=changes[0].id,
        frequency_hz=(alarms or changes)[0].frequency_hz,
        suspect_s=suspects[0].sample / rate_hz if suspects else None,
        alarm_s=alarms[0].sample / rate_hz if alarms else None,
        cleared_s=cleared[-1].sample / rate_hz if cleared else None,
    )


def cents(frequency_hz: float, reference_hz: float) -> float:
    """Return the interval from reference to frequency, 1200 an octave."""
    return float(1200 * np.log2(frequency_hz / reference_hz))


def _nearest(frequency_hz: float, references_hz: Iterable[float]) -> float:
    return min(references_hz, key=lambda reference: abs(cents(frequency_hz, reference)))


def modes_of(case: HeardCase | Case) -> tuple[float, ...]:
    """Return every frequency at which a case's loop may truly ring."""
    return (*(ring.frequency_hz for ring in case.rings), *case.real_hz)


def is_of_mode(frequency_hz: float, mode_hz: float, modes: Iterable[float]) -> bool:
    """Tell whether of all modes of a loop one is meant, and not its neighbour.

    A mode whose place a change of the loop moved a little is the same.
    """
    return abs(cents(_nearest(frequency_hz, modes), mode_hz)) <= SAME_MODE_CENTS


def score_case(case: HeardCase) -> CaseScore:
    """Score one case."""
    told = stories(case.changes)
    modes = modes_of(case)
    right = [
        s for s in told if abs(cents(s.frequency_hz, _nearest(s.frequency_hz, modes))) <= NEAR_CENTS
    ]
    wrong = [s for s in told if s not in right and s.alarm_s is not None]
    begins = min(ring.crossing_s for ring in case.rings)
    return CaseScore(
        name=case.spec.name,
        kind=case.spec.kind,
        seconds=case.spec.seconds,
        rings=() if case.spec.is_held else tuple(_score_rings(case, right, modes)),
        wrong_alarms=len(wrong),
        harmonic_alarms=sum(_is_harmonic(s.frequency_hz, case.rings) for s in wrong),
        early_alarms=sum(s.alarm_s is not None and s.alarm_s < begins for s in right),
        is_audible=any(ring.loudest_db > -AUDIBLE_DB for ring in case.rings),
        is_suspected=any(_speaks_after(s, begins) for s in right),
        is_alarmed=any(s.alarm_s is not None and s.alarm_s >= begins for s in right),
    )


def _speaks_after(story: Story, time_s: float) -> bool:
    times = [t for t in (story.suspect_s, story.alarm_s) if t is not None]
    late = story.cleared_s is None or story.cleared_s > time_s
    return bool(times) and late


def _is_harmonic(frequency_hz: float, rings: Iterable[TrueRing]) -> bool:
    for ring in rings:
        order = max(2, round(frequency_hz / ring.frequency_hz))
        if abs(cents(frequency_hz, order * ring.frequency_hz)) < 50:
            return True
    return False


def _score_rings(
    case: HeardCase, told: list[Story], modes: tuple[float, ...]
) -> Iterable[RingScore]:
    """Give each true ring its alarm; no alarm serves two rings."""
    free = sorted((s for s in told if s.alarm_s is not None), key=lambda s: s.alarm_s or 0.0)
    for ring in case.rings:
        match = next((s for s in free if belongs(s, ring)), None)
        if match is not None:
            free.remove(match)
        yield _ring_score(case, ring, match, [s for s in free if belongs(s, ring)], modes)


def belongs(story: Story, ring: TrueRing) -> bool:
    """Tell whether a story's alarm is one of this ring: near it, and raised or standing in time."""
    near = abs(cents(story.frequency_hz, ring.frequency_hz)) <= NEAR_CENTS
    alarm_s = story.alarm_s
    timely = alarm_s is not None and (
        alarm_s >= ring.crossing_s or story.stands_at(ring.crossing_s)
    )
    return near and timely


def _ring_score(
    case: HeardCase,
    ring: TrueRing,
    match: Story | None,
    later: list[Story],
    modes: tuple[float, ...],
) -> RingScore:
    spec = case.spec
    if match is None:
        return RingScore(
            spec.name, spec.kind, spec.programme, spec.tap, ring, None, None, None, None, 0, 0
        )
    nearest = _nearest(match.frequency_hz, modes)
    again = [s for s in later if is_of_mode(s.frequency_hz, nearest, modes)]
    return RingScore(
        spec.name,
        spec.kind,
        spec.programme,
        spec.tap,
        ring,
        match.alarm_s,
        cents(match.frequency_hz, nearest),
        nominal_hz(match.frequency_hz) == nominal_hz(nearest),
        _cleared_in_time(ring, [match, *later]),
        1 + len(again),
        sum(story.id in case.cut_short for story in (match, *again)),
    )


def _cleared_in_time(ring: TrueRing, told: list[Story]) -> bool | None:
    """Tell whether every alarm at the ring was cleared soon after the ring was gone."""
    if ring.gone_s is None:
        return None
    due = ring.gone_s + CLEAR_WITHIN_S
    stood = [s for s in told if s.alarm_s is not None and s.alarm_s <= ring.gone_s]
    return bool(stood) and all(s.cleared_s is not None and s.cleared_s <= due for s in stood)
