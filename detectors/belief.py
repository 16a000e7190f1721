"""Weigh the evidence: say how sure it is that a rising line is a ring.

Each figure of `rises` speaks for or against a ring by a monotone curve, in nepers of odds
(natural logarithm); the curves add up, as independent evidence does. They were fitted, with the
sign of every slope held to what physics says (more rise, less wander, fewer companions speak for
a ring), to howl-free sound and to simulated loops; see `weights` and docs/detection.md.

A line's belief then follows its frames as a running mean of a few frames, so that one lucky frame
does not raise an alarm.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.lines import LineView
from prehowl.detectors.rises import Rising
from prehowl.detectors.weights import BIAS, CURVES

Figures = NDArray[np.float32]

ALARM_AT = 1.6
"""Belief (log odds on the scale of the curves) at which a line is alarmed; set on the bench's tune
split by its false alarms."""

SUSPECT_AT = 0.9
SUSPECT_FROM = 0.55
"""Suspicion of a suspect: the share of the evidence for an alarm, which is 1."""

FLOOR = -3.0
CEILING = 6.0
FOLLOW = np.float32(0.5)
FADE = np.float32(0.15)


@dataclass(frozen=True, slots=True)
class Verdict:
    """What one frame says of the lines of a view; arrays of shape (lines,)."""

    suspicion: Figures  # 0..; 1 is enough for an alarm
    growth_db_per_s: Figures  # over the most telling duration
    duration_s: Figures


def signals(rising: Rising) -> dict[str, Figures]:
    """Return the figures that the curves are applied to, by name; each of shape (rows,)."""
    c = rising.column
    rise, duration = c("rise_db"), c("duration_s")
    return {
        "rise": rise,
        "needed": rise - np.float32(2.2) / (duration + np.float32(0.1)),
        "frames": np.log2(duration / c("frame_s")),
        "duration": np.log2(duration),
        "residual": c("residual_db"),
        "straight": np.log2(rise / np.maximum(c("residual_db"), np.float32(0.05))),
        "late": c("late_share"),
        "last": c("last_share"),
        "wander": np.log2(np.maximum(c("wander"), np.float32(0.02))),
        "wander_cents": np.log2(np.maximum(c("wander_cents"), np.float32(0.05))),
        "share": c("share"),
        "pnpr": c("pnpr_db"),
        "relative": c("relative_db"),
        "ahead": np.log2(np.clip(-c("relative_db") / c("growth_db_per_s"), 0.01, 20)),
        "rest_share": c("rest_rise_db") / rise,
        "rest": c("rest_rise_db"),
        "company": np.log2(1 + c("company")),
        "phpr": c("phpr_db"),
    }


def log_odds(rising: Rising) -> Figures:
    """Return the belief of each row alone, shape (rows,)."""
    total = np.full(len(rising.row), BIAS, np.float32)
    for name, values in signals(rising).items():
        knots, heights = CURVES[name]
        total += np.interp(values, knots, heights).astype(np.float32)
    return np.minimum(total, np.float32(CEILING))


class Belief:
    """The running belief of every line of one resolution, by slot number."""

    def __init__(self, rows: int) -> None:
        self._belief = np.full(rows, FLOOR, np.float32)
        self._growth = np.zeros(rows, np.float32)
        self._duration = np.zeros(rows, np.float32)

    def follow(self, view: LineView, rising: Rising) -> Verdict:
        """Take in one frame's rising lines; return the verdict on all lines of the view."""
        now = self._belief[view.row]
        self._belief.fill(FLOOR)  # slots outside the view are empty or too young
        self._belief[view.row] = now + FADE * (np.float32(FLOOR) - now)
        if len(rising.row):
            self._take_in(view, rising, now)
        belief = self._belief[view.row]
        share = (belief - SUSPECT_AT) / np.float32(ALARM_AT - SUSPECT_AT)
        suspicion = SUSPECT_FROM + (1 - SUSPECT_FROM) * share
        return Verdict(
            np.maximum(suspicion, 0).astype(np.float32),
            self._growth[view.row],
            self._duration[view.row],
        )

    def _take_in(self, view: LineView, rising: Rising, before: Figures) -> None:
        points = log_odds(rising)
        order = np.argsort(points, kind="stable")
        row = rising.row[order]  # of several writes the last one wins: the highest
        best = np.full(len(self._belief), np.nan, np.float32)
        best[row] = points[order]
        self._growth[row] = rising.column("growth_db_per_s")[order]
        self._duration[row] = rising.column("duration_s")[order]
        mine = best[view.row]
        told = ~np.isnan(mine)
        self._belief[view.row[told]] = before[told] + FOLLOW * (mine[told] - before[told])
