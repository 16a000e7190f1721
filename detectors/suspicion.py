"""Weigh the evidence of one frame: how much does each line look like a ring on the rise?

The measure is a number of decibels: how far a line has risen, straight and alone, at an unmoved
frequency, compared with how far a line must rise in that time to be believed. 1 is enough for an
alarm. Everything that speaks against a ring shrinks it:

    suspicion = rise / needed(duration) * straight * unbroken * steady * narrow * present * alone

The same rule is tried over several durations, because a ring may grow by 5 or by 800 dB/s.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors import neighbours
from prehowl.detectors.growth import Rise, fit
from prehowl.detectors.lines import LineView
from prehowl.detectors.steadiness import wander_bins

Figures = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Span:
    """A duration to look back over."""

    slow: bool  # in the slow history
    frames: int


@dataclass(frozen=True, slots=True)
class Verdict:
    """What one frame says of the lines of a view; arrays of shape (lines,)."""

    suspicion: Figures  # 0..; 1 is enough for an alarm
    growth_db_per_s: Figures  # over the most telling duration
    rise_db: Figures
    duration_s: Figures
    pnpr_db: Figures


def ease(value: Figures, good: Figures | float, bad: Figures | float) -> Figures:
    """Return 1 at or beyond `good`, 0 at or beyond `bad`, straight between them."""
    return np.clip((value - bad) / (np.asarray(good, np.float32) - bad), 0, 1).astype(np.float32)


def needed_rise_db(duration_s: Figures) -> Figures:
    """Return how far a line must rise within a time to be believed, dB.

    Attacks of notes rise 20 dB in tens of milliseconds every second; hardly anything but a ring
    rises 8 dB straight over three seconds without moving.
    """
    return np.asarray(7 + 2.2 / (duration_s + 0.1), np.float32)


def weigh(view: LineView, spans: tuple[Span, ...], *, frame_s: float) -> Verdict:
    """Judge every line of a view.

    Parameters
    ----------
    view : LineView
    spans : tuple of Span
    frame_s : float
        Length of the analysis frame: a rise must outlast it, or it is only the window's own ramp
        over an abrupt onset.
    """
    lines = len(view.row)
    best = np.zeros((4, lines), np.float32)
    pnpr = neighbours.measure(view)
    for span in spans:
        figures = _weigh_span(view, span, pnpr, frame_s)
        better = figures[0] > best[0]
        best[:, better] = figures[:, better]
    return Verdict(best[0], best[1], best[2], best[3], pnpr)


def _weigh_span(view: LineView, span: Span, pnpr: Figures, frame_s: float) -> Figures:
    history = view.slow if span.slow else view.fast
    step_s = view.hop_s * (4 if span.slow else 1)
    level, position, present = history.last(view.row, span.frames)
    rise = fit(level, present)
    duration_s = rise.frames * np.float32(step_s)
    steady = _steady(wander_bins(level, position, present)[1], pnpr)
    quality = _straight(rise) * steady * ease(rise.share, 0.85, 0.5) * ease(pnpr, 12.0, 5.0)
    quality *= ease(duration_s, np.float32(1.0 * frame_s), np.float32(0.5 * frame_s))
    quality *= duration_s >= 5 * step_s
    height = np.maximum(rise.rise_db, 0)
    suspicion = height / needed_rise_db(duration_s) * quality
    suspicion *= _alone(view, rise, quality, suspicion)
    return np.stack([suspicion, rise.slope / np.float32(step_s), height, duration_s])


def _straight(rise: Rise) -> Figures:
    height = np.maximum(rise.rise_db, 0)
    straight = ease(rise.residual_db, 0.7 + 0.05 * height, 2.0 + 0.12 * height)
    unbroken = ease(rise.late_slope, 0.75 * rise.slope, 0.3 * rise.slope - np.float32(1e-6))
    return straight * unbroken


def _steady(deviation_bins: Figures, pnpr: Figures) -> Figures:
    # What the neighbours do to the interpolated place of a tone: their amplitude against its.
    expected = 0.04 + 0.35 * 10 ** (-pnpr / 20)
    return ease(deviation_bins, expected, 2.5 * expected)


def _alone(view: LineView, rise: Rise, quality: Figures, suspicion: Figures) -> Figures:
    """Return 1 for a line that rises alone, less where others of its channel rise alike."""
    alone = np.ones(len(view.row), np.float32)
    doubtful = np.flatnonzero(suspicion > 0.3)
    if not len(doubtful):
        return alone
    mine = rise.slope[doubtful, None]
    alike = view.ch[doubtful, None] == view.ch
    alike &= np.abs(view.position[doubtful, None] - view.position) > 4
    alike &= (rise.slope > 0.6 * mine) & (rise.slope < 1.6 * mine)
    alike &= rise.frames > 0.6 * rise.frames[doubtful, None]
    alike &= view.level_dbfs > view.level_dbfs[doubtful, None] - 30
    company = (alike * quality).sum(axis=1)
    alone[doubtful] = 1 / (1 + company)
    return alone
