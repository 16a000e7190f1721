"""Weigh the evidence: say how sure it is that a rising line is a ring."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.lines import LineView
from prehowl.detectors.rises import Rising

Figures = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Verdict:
    """What one frame says of the lines of a view; arrays of shape (lines,)."""

    suspicion: Figures  # 0..; 1 is enough for an alarm
    growth_db_per_s: Figures  # over the most telling duration
    duration_s: Figures


def ease(value: Figures, good: Figures | float, bad: Figures | float) -> Figures:
    """Return 1 at or beyond `good`, 0 at or beyond `bad`, straight between them."""
    return np.clip((value - bad) / (np.asarray(good, np.float32) - bad), 0, 1).astype(np.float32)


def score(rising: Rising) -> Figures:
    """Return the suspicion of each row."""
    c = rising.column
    needed = 7 + 2.2 / (c("duration_s") + 0.1)
    quality = ease(c("residual_db"), 0.7, 1.8) * ease(c("late_share"), 0.8, 0.5)
    quality *= ease(c("wander"), 1.0, 2.5) * ease(c("share"), 0.85, 0.5)
    quality *= ease(c("pnpr_db"), 12, 5) * ease(c("duration_s") / c("frame_s"), 1.3, 0.9)
    quality *= ease(c("smear_db"), 12, 18) * ease(c("relative_db"), -25, -35)
    quality *= ease(c("rest_rise_db") / c("rise_db"), 0.4, 0.9)
    return np.asarray(c("rise_db") / needed * quality / (1 + c("company")), np.float32)


def weigh(view: LineView, rising: Rising) -> Verdict:
    """Return the best verdict of each line of the view over all its rows."""
    lines = len(view.row)
    suspicion, growth, duration = (np.zeros(lines, np.float32) for _ in range(3))
    points = score(rising)
    order = np.argsort(points, kind="stable")
    best = rising.line[order]  # the last write wins: the highest score
    suspicion[best] = points[order]
    growth[best] = rising.growth_db_per_s[order]
    duration[best] = rising.column("duration_s")[order]
    return Verdict(suspicion, growth, duration)
