"""From counts and verdicts to the figures of `bench protocol`; keys as documented there."""

import operator
from collections.abc import Sequence
from functools import reduce

from prehowl.daemon.bench.protocol.accuracy import FACTORS, READINGS, FileCount
from prehowl.daemon.bench.protocol.counting import SPANS, Count, area
from prehowl.daemon.bench.protocol.features import FEATURES, PUBLISHED_F1
from prehowl.daemon.bench.protocol.loops import KINDS
from prehowl.daemon.bench.protocol.premature import COURSES, Verdict
from prehowl.daemon.bench.summary import Figures, share, spread

SOON_S = 0.2
"""The project's promise: an alarm within this after passing the limit on the way to +3 dB."""


def accuracy(files: Sequence[FileCount]) -> list[Figures]:
    """Return one entry a material: how many files, and a row a curve."""
    return [_material(kind, [f for f in files if f.kind == kind]) for kind in KINDS]


def _material(kind: str, files: Sequence[FileCount]) -> Figures:
    kept = [f.counts for f in files if f.counts is not None]
    names = [*READINGS, *(feature.name for feature in FEATURES[kind])]
    rows = []
    for name in names if kept else ():
        row: Figures = {"name": name}
        for span in SPANS:
            settings = [counts[name, span] for counts in kept]
            totals = [reduce(operator.add, one) for one in zip(*settings, strict=True)]
            row[span] = _best(totals)
            if name in READINGS:
                row[f"{span}_at_default"] = _figures(totals[FACTORS.index(1.0)])
        published = PUBLISHED_F1[kind].get(name)
        row["published_f1"] = None if published is None else list(published)
        rows.append(row)
    return {"material": kind, "files": len(kept), "dropped": len(files) - len(kept), "rows": rows}


def _best(totals: Sequence[Count]) -> Figures:
    best = max(totals, key=lambda one: one.f1)
    return {**_figures(best), "pr_auc": round(area(list(totals)), 3)}


def _figures(one: Count) -> Figures:
    return {
        "f1": round(one.f1, 3),
        "precision": round(one.precision, 3),
        "recall": round(one.recall, 3),
    }


def premature(verdicts: Sequence[Verdict]) -> list[Figures]:
    """Return one row a material and course."""
    rows = []
    for kind in KINDS:
        for course in COURSES:
            own = [v for v in verdicts if v.kind == kind and v.course == course.name]
            delays = [v.alarm_s for v in own if v.alarm_s is not None]
            passes = course.passing_s is not None
            rows.append(
                {
                    "material": kind,
                    "course": course.name,
                    "loops": len(own),
                    "premature_alarms": sum(v.premature for v in own),
                    "loops_with_premature_alarm": share(v.premature > 0 for v in own),
                    "suspects_before": sum(v.early_suspects for v in own),
                    "alarmed": share(v.alarm_s is not None for v in own if passes),
                    "alarmed_within_200_ms": share(
                        v.alarm_s is not None and v.alarm_s <= SOON_S for v in own if passes
                    ),
                    "alarm_after_passing_s": spread(delays),
                }
            )
    return rows
