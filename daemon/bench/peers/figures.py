"""From trials to curves: recall against false alarms an hour, for each peer and the engine.

Keys of the returned dictionaries are the documented keys of `bench peers --format json`.
"""

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from prehowl.daemon.bench.peers.rules import PEERS
from prehowl.daemon.bench.peers.trials import ENGINE, FACTORS, RingTrial, Trials, settings
from prehowl.daemon.bench.summary import FAST_GRACE_S, Figures, rate, share

BUDGETS_PER_HOUR = (1.0, 10.0, 100.0, 1000.0)
SLOW_DB_PER_S = 100.0
USABLE_PER_HOUR = 1000.0
"""Nobody listens to an alarm that comes oftener; generous by far."""


def curves(trials: Trials) -> Figures:
    """Return the curves of all, the best recall of each within a budget, and who is dominated."""
    made = [curve(ENGINE, "times the default", FACTORS, (), trials)]
    made += [curve(p.name, p.unit, settings(p).tolist(), p.published, trials) for p in PEERS]
    engine = made[0]["points"]
    usual = next(p for p in engine if p["setting"] == 1.0)
    budgets = (*BUDGETS_PER_HOUR, usual["false_alarms"]["per_hour"])
    for one in made:
        one["within_budget"] = [best_within(one["points"], budget) for budget in budgets]
        one["dominated"] = dominated(one["points"], engine)
    groups = sorted({trial.group for trial in trials.excerpts})
    return {
        "rings": len(_counted(trials)),
        "hours": {g: round(_hours(trials, g), 4) for g in groups},
        "budgets_per_hour": list(budgets),
        "curves": made,
    }


def curve(
    name: str, unit: str, steps: Sequence[float], published: Sequence[float], trials: Trials
) -> Figures:
    """Return one curve: a point for each setting."""
    points = [point(name, float(step), k, trials) for k, step in enumerate(steps)]
    return {
        "name": name,
        "unit": unit,
        "points": points,
        "published": [p for p in points if p["setting"] in published],
    }


def point(name: str, setting: float, k: int, trials: Trials) -> Figures:
    """Return recall and false alarms of one curve at its k-th setting.

    `in_time` is the project's own measure: by the takeover up to 100 dB/s, within 100 ms after it
    above.
    """
    rings = _counted(trials)
    slow = [r for r in rings if r.true.growth_db_per_s <= SLOW_DB_PER_S]
    fast = [r for r in rings if r.true.growth_db_per_s > SLOW_DB_PER_S]
    timely = [_lead_s(r, name, k) >= 0 for r in slow]
    soon = [_lead_s(r, name, k) >= -FAST_GRACE_S for r in fast]
    cells = sum(int(e.cells[name][k]) for e in trials.excerpts)
    return {
        "setting": round(setting, 5),
        "in_time": share([*timely, *soon]),
        "recall_by_takeover_to_100_db_per_s": share(timely),
        "recall_within_100_ms_above_100_db_per_s": share(soon),
        "false_alarms": rate(cells, _hours(trials)),
        "false_alarms_per_hour_by_group": dict(_by_group(name, k, trials)),
    }


def _counted(trials: Trials) -> list[RingTrial]:
    return [r for r in trials.rings if r.true.takeover_s is not None and not r.is_instant]


def _lead_s(ring: RingTrial, name: str, k: int) -> float:
    return float((ring.true.takeover_s or 0.0) - ring.alarm_s[name][k])


def _hours(trials: Trials, group: str | None = None) -> float:
    return sum(e.seconds for e in trials.excerpts if group in (None, e.group)) / 3600


def _by_group(name: str, k: int, trials: Trials) -> Iterator[tuple[str, float | None]]:
    for group in sorted({e.group for e in trials.excerpts}):
        cells = sum(int(e.cells[name][k]) for e in trials.excerpts if e.group == group)
        yield group, rate(cells, _hours(trials, group))["per_hour"]


def best_within(points: Sequence[Figures], per_hour: float | None) -> Figures | None:
    """Return the point of the best recall among those with no more false alarms an hour."""
    held = [p for p in points if _rate_of(p) <= (per_hour if per_hour is not None else np.inf)]
    return max(held, key=lambda p: (_recall_of(p), -_rate_of(p)), default=None)


def dominated(points: Sequence[Figures], engine: Sequence[Figures]) -> Figures:
    """Tell at how many of a curve's points the engine does as well with no more false alarms.

    Points that find nothing are no rivals and are left out; `usable` counts those of up to
    `USABLE_PER_HOUR` only. `worst` is the point at which the engine falls furthest behind, with
    what the engine reaches there.
    """
    rivals = [p for p in points if _recall_of(p) > 0]
    behind = []
    for p in rivals:
        best = best_within(engine, _rate_of(p))
        reached = 0.0 if best is None else _recall_of(best)
        behind.append((_recall_of(p) - reached, p, reached))
    worst = max(behind, key=lambda item: item[0], default=None)
    lost = worst is not None and worst[0] > 0
    return {
        "points": len(rivals),
        "matched": sum(gap <= 0 for gap, _, _ in behind),
        "usable": {
            "points": sum(_rate_of(p) <= USABLE_PER_HOUR for p in rivals),
            "matched": sum(gap <= 0 and _rate_of(p) <= USABLE_PER_HOUR for gap, p, _ in behind),
        },
        "worst": {"point": worst[1], "engine_in_time": worst[2]} if lost and worst else None,
    }


def _recall_of(figures: dict[str, Any]) -> float:
    return float(figures["in_time"]["share"] or 0.0)


def _rate_of(figures: dict[str, Any]) -> float:
    return float(figures["false_alarms"]["per_hour"] or 0.0)
