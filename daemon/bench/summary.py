"""From single scores to the figures that are reported, each with its confidence interval.

Keys of the returned dictionaries are the documented keys of `bench detection --format json`.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from prehowl.daemon.bench.advice import MOMENTS
from prehowl.daemon.bench.intervals import median_interval, poisson, wilson
from prehowl.daemon.bench.material import APART
from prehowl.daemon.bench.records import AppliedCut, Heard, HeardExcerpt
from prehowl.daemon.bench.score import CaseScore, RingScore, score_case, stories
from prehowl.detectors.engine import ChannelSetup

Figures = dict[str, Any]

GROWTH_CLASSES = (
    ("5-30 dB/s", 0.0, 30.0),
    ("30-100 dB/s", 30.0, 100.0),
    ("100-300 dB/s", 100.0, 300.0),
    ("300-800 dB/s", 300.0, float("inf")),
)
SIGHT_CLASSES = (
    ("20 dB and more", 20.0, float("inf")),
    ("10 to 20 dB", 10.0, 20.0),
    ("4 to 10 dB", 4.0, 10.0),
    ("less", 0.0, 4.0),
)
"""How far a ring rose in sight before its takeover; less than 4 dB any note's beginning does."""
FAST_GRACE_S = 0.1
"""Rings faster than 100 dB/s may be alarmed this long after the takeover."""


def summarise(heard: Heard) -> Figures:
    """Return all figures of a run."""
    scores = [score_case(case) for case in heard.cases]
    rings = [ring for score in scores for ring in score.rings]
    return {
        "growth": [
            growth_row(name, _within(rings, low, high)) for name, low, high in GROWTH_CLASSES
        ],
        "targets": targets(rings),
        "kinds": [growth_row(*item) for item in _grouped(rings, lambda r: r.kind)],
        "programmes": [growth_row(*item) for item in _grouped(rings, lambda r: r.programme)],
        "taps": [growth_row(*item) for item in _grouped(rings, lambda r: r.tap)],
        "in_sight": in_sight(_within(rings, 0.0, 100.0)),
        "in_sight_faster": in_sight(_within(rings, 100.0, float("inf"))),
        "instant": growth_row("instant", [r for r in rings if r.is_instant]),
        "frequency": frequency(rings),
        "cleared_in_time": share(r.cleared_in_time for r in rings if r.cleared_in_time is not None),
        "steadiness": steadiness([r for r in rings if r.alarms]),
        "howl_cases": howl_cases(scores),
        "marginal": marginal(scores),
        "advice": advice_rows([cut for case in heard.cases for cut in case.cuts]),
        "howl_free": howl_free(heard.excerpts),
    }


def in_sight(rings: list[RingScore]) -> list[Figures]:
    """Return a row of rings that come to a takeover for each of `SIGHT_CLASSES`."""
    taken = [(r, r.true.risen_db) for r in rings]
    return [
        growth_row(name, [r for r, db in taken if db is not None and low <= db < high])
        for name, low, high in SIGHT_CLASSES
    ]


def _within(rings: Iterable[RingScore], low: float, high: float) -> list[RingScore]:
    return [r for r in rings if low <= r.true.growth_db_per_s < high and not r.is_instant]


def _grouped(
    rings: Iterable[RingScore], key: Callable[[RingScore], str]
) -> list[tuple[str, list[RingScore]]]:
    groups: dict[str, list[RingScore]] = defaultdict(list)
    for ring in rings:
        if not ring.is_instant:
            groups[key(ring)].append(ring)
    return sorted(groups.items())


def share(outcomes: Iterable[bool | None]) -> Figures:
    """Return hits, of how many, their share and its Wilson interval."""
    known = [bool(outcome) for outcome in outcomes]
    if not known:
        return {"hits": 0, "of": 0, "share": None, "interval": None}
    hits = sum(known)
    low, high = wilson(hits, len(known))
    return {
        "hits": hits,
        "of": len(known),
        "share": round(hits / len(known), 4),
        "interval": [round(low, 4), round(high, 4)],
    }


def spread(values: Sequence[float], digits: int = 3) -> Figures:
    """Return median, quartiles and the median's interval."""
    if not values:
        return {"count": 0, "median": None, "quartiles": None, "interval": None}
    low, middle, high = (round(float(q), digits) for q in np.percentile(values, (25, 50, 75)))
    around = median_interval(values)
    return {
        "count": len(values),
        "median": middle,
        "quartiles": [low, high],
        "interval": None if around is None else [round(edge, digits) for edge in around],
    }


def growth_row(name: str, rings: list[RingScore]) -> Figures:
    """Return recall, lead and delay of some rings."""
    taken = [r for r in rings if r.true.takeover_s is not None]
    alarmed = [r for r in rings if r.alarm_s is not None]
    return {
        "name": name,
        "rings": len(rings),
        "recall_by_takeover": share(r.alarmed_by(0.0) for r in taken),
        "recall_within_100_ms": share(r.alarmed_by(FAST_GRACE_S) for r in taken),
        "recall_ever": share(r.alarm_s is not None for r in rings),
        "lead_s": spread([r.lead_s for r in taken if r.lead_s is not None]),
        "delay_after_crossing_s": spread(
            [r.alarm_s - r.true.crossing_s for r in alarmed if r.alarm_s is not None]
        ),
    }


def targets(rings: list[RingScore]) -> Figures:
    """Return the two recalls that the project promises, and the lead."""
    slow = [r for r in _within(rings, 0.0, 100.0) if r.true.takeover_s is not None]
    fast = [r for r in _within(rings, 100.0, float("inf")) if r.true.takeover_s is not None]
    return {
        "recall_by_takeover_to_100_db_per_s": share(r.alarmed_by(0.0) for r in slow),
        "recall_within_100_ms_above_100_db_per_s": share(r.alarmed_by(FAST_GRACE_S) for r in fast),
        "lead_s_to_100_db_per_s": spread([r.lead_s for r in slow if r.lead_s is not None]),
    }


def frequency(rings: list[RingScore]) -> Figures:
    """Return the error at the alarm, above and below 200 Hz, and the share of right bands."""
    told = [r for r in rings if r.error_cents is not None]
    above = [abs(r.error_cents or 0.0) for r in told if r.true.frequency_hz >= 200]
    below = [abs(r.error_cents or 0.0) for r in told if r.true.frequency_hz < 200]
    return {
        "error_cents_from_200_hz": spread(above, 2),
        "error_cents_below_200_hz": spread(below, 2),
        "right_band": share(r.is_right_band for r in told),
    }


def steadiness(rings: list[RingScore]) -> Figures:
    """Return how often an alarmed ring was told as over while it stood, and told again."""
    return {
        "told_once": share(r.alarms == 1 for r in rings),
        "cut_short": share(r.cut_short > 0 for r in rings),
    }


def howl_cases(scores: list[CaseScore]) -> Figures:
    """Return the alarms in closed-loop cases that no ring of the loop explains."""
    hours = sum(s.seconds for s in scores) / 3600
    wrong = sum(s.wrong_alarms for s in scores)
    return {
        "cases": len(scores),
        "hours": round(hours, 3),
        "wrong_alarms": rate(wrong, hours),
        "of_these_at_harmonics": sum(s.harmonic_alarms for s in scores),
        "cases_with_wrong_alarm": share(s.wrong_alarms > 0 for s in scores),
        "alarms_before_the_limit": sum(s.early_alarms for s in scores),
    }


def marginal(scores: list[CaseScore]) -> Figures:
    """Return how many marginal holds were suspected, and how many alarmed."""
    held = [s for s in scores if s.kind == "marginal"]
    return {
        "suspected": share(s.is_suspected for s in held),
        "suspected_of_audible": share(s.is_suspected for s in held if s.is_audible),
        "alarmed": share(s.is_alarmed for s in held),
    }


def advice_rows(cuts: Sequence[AppliedCut]) -> list[Figures]:
    """Return how the advised cuts did: all at each moment, then by kind of case at the later."""
    late = [cut for cut in cuts if cut.moment == MOMENTS[-1]]
    kinds = sorted({cut.kind for cut in late})
    return [
        *(advice_row(moment, [c for c in cuts if c.moment == moment]) for moment in MOMENTS),
        *(advice_row(kind, [c for c in late if c.kind == kind]) for kind in kinds),
    ]


def advice_row(name: str, cuts: Sequence[AppliedCut]) -> Figures:
    """Return the share of cuts that stop the howl, and their excess over the least that does.

    `within_cap` leaves out rings that no cut up to the cap would stop: there the advice has to be
    another position, level or microphone.
    """
    cap_db = ChannelSetup().cut_cap_db
    curable = [c for c in cuts if c.needed_db is not None and c.needed_db <= cap_db]
    over = [c.cut_db - (c.needed_db or 0.0) for c in curable if c.cut_db is not None]
    return {
        "name": name,
        "rings": len(cuts),
        "advised": share(c.cut_db is not None for c in cuts),
        "stops": share(c.stops for c in cuts),
        "stops_within_cap": share(c.stops for c in curable),
        "beyond_cap": len(cuts) - len(curable),
        "over_needed_db": spread(over, 2),
    }


def rate(count: int, hours: float) -> Figures:
    """Return a count, its rate an hour and the exact Poisson interval."""
    if hours <= 0:
        return {"count": count, "per_hour": None, "interval": None}
    low, high = poisson(count, hours)
    return {
        "count": count,
        "per_hour": round(count / hours, 2),
        "interval": [round(low, 2), round(high, 2)],
    }


def howl_free(excerpts: Sequence[HeardExcerpt]) -> Figures:
    """Return false alarms and suspects per hour, by family, by group and in all.

    What one channel cannot tell from a howl is in no total but its own; `with_reference` is the
    same with the source's own channel beside.
    """
    families: dict[tuple[str, str], list[HeardExcerpt]] = defaultdict(list)
    groups: dict[str, list[HeardExcerpt]] = defaultdict(list)
    for heard in excerpts:
        piece = heard.excerpt.piece
        families[piece.group, piece.family].append(heard)
        groups[piece.group].append(heard)
    return {
        "families": [
            {"group": group, **_false(family, own)} for (group, family), own in families.items()
        ],
        "groups": [_false(group, own) for group, own in groups.items()],
        "all": _false("all", [h for h in excerpts if h.excerpt.piece.group != APART]),
        "with_reference": _false("with-reference", _with_reference(excerpts)),
    }


def _with_reference(excerpts: Sequence[HeardExcerpt]) -> list[HeardExcerpt]:
    return [
        replace(heard, changes=heard.with_reference)
        for heard in excerpts
        if heard.with_reference is not None
    ]


def _false(name: str, excerpts: Sequence[HeardExcerpt]) -> Figures:
    hours = sum(heard.excerpt.seconds for heard in excerpts) / 3600
    told = [story for heard in excerpts for story in stories(heard.changes)]
    return {
        "name": name,
        "hours": round(hours, 4),
        "false_alarms": rate(sum(s.alarm_s is not None for s in told), hours),
        "suspects": rate(sum(s.suspect_s is not None for s in told), hours),
    }
