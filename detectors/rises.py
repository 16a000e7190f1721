"""Gather, for every line that rises, what speaks for and against a ring.

One row is one line over one duration. The columns are plain physical figures; `belief` weighs
them. The same rows are what the bench collects to fit those weights.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors import harmonics, neighbours
from prehowl.detectors.growth import Rise, fit
from prehowl.detectors.lines import SLOW_STEP, LineView
from prehowl.detectors.purity import impurity_db
from prehowl.detectors.steadiness import wander_bins

Figures = NDArray[np.float32]

COLUMNS = (
    "rise_db",  # height of the straight line fitted to the level
    "duration_s",  # time over which it was seen to rise
    "residual_db",  # root mean square off that line
    "late_share",  # slope of the later half against the whole: an attack flattens
    "last_share",  # slope of the last quarter against the whole
    "wander",  # frequency deviation against what the neighbours explain
    "wander_cents",
    "share",  # of frames in which it was a peak
    "pnpr_db",
    "relative_db",  # tone against the channel's power of the last second
    "rest_rise_db",  # how far the rest of the channel rose in the same time
    "company",  # other lines of the channel that rise by half as much or more
    "phpr_db",
    "impurity_db",  # of the main lobe
    "smear_db",  # growth within one frame
    "frequency_hz",
    "frame_s",
)
SMALLEST_RISE_DB = 4.0
LARGEST_RESIDUAL_DB = 3.5


@dataclass(frozen=True, slots=True)
class Span:
    """A duration to look back over."""

    slow: bool  # in the slow history
    frames: int


@dataclass(frozen=True, slots=True)
class Rising:
    """Lines that rise; arrays of shape (rows,), figures (rows, columns)."""

    line: NDArray[np.intp]  # place in the view
    growth_db_per_s: Figures
    figures: Figures

    def column(self, name: str) -> Figures:
        """Return one column of the figures."""
        return np.asarray(self.figures[:, COLUMNS.index(name)])


def gather(view: LineView, spans: tuple[Span, ...], *, frame_s: float) -> Rising:
    """Return a row for each line and span in which the line rises straight enough.

    Parameters
    ----------
    view : LineView
    spans : tuple of Span
    frame_s : float
        Length of the analysis frame.
    """
    parts = [_gather_span(view, span, frame_s) for span in spans] if len(view.row) else []
    parts = [part for part in parts if len(part.line)]
    if not parts:
        none = np.zeros(0, np.float32)
        return Rising(np.zeros(0, np.intp), none, np.zeros((0, len(COLUMNS)), np.float32))
    rising = Rising(
        np.concatenate([part.line for part in parts]),
        np.concatenate([part.growth_db_per_s for part in parts]),
        np.concatenate([part.figures for part in parts]),
    )
    _describe_now(view, rising, frame_s)
    return rising


def _gather_span(view: LineView, span: Span, frame_s: float) -> Rising:
    history = view.slow if span.slow else view.fast
    step_s = view.hop_s * (SLOW_STEP if span.slow else 1)
    level, position, present = history.last(view.row, span.frames)
    rise = fit(level, present)
    duration_s = rise.frames * np.float32(step_s)
    keep = rise.rise_db >= SMALLEST_RISE_DB
    keep &= rise.residual_db <= LARGEST_RESIDUAL_DB
    keep &= (rise.frames >= 5) & (rise.share >= 0.5) & (present[:, -1] > 0)
    line = np.flatnonzero(keep)
    figures = np.zeros((len(line), len(COLUMNS)), np.float32)
    growth = rise.slope[line] / np.float32(step_s)
    if len(line):
        mean, deviation = wander_bins(level[line], position[line], present[line])
        total = (view.slow_total if span.slow else view.fast_total)[:, -span.frames :]
        rest = _rest_rise(level[line], present[line], total[view.ch[line]], rise, line)
        columns = {
            "rise_db": rise.rise_db[line],
            "duration_s": duration_s[line],
            "residual_db": rise.residual_db[line],
            "late_share": rise.late_slope[line] / rise.slope[line],
            "last_share": rise.last_slope[line] / rise.slope[line],
            "wander": deviation,
            "wander_cents": 1731 * deviation / np.maximum(mean, 1),
            "share": rise.share[line],
            "rest_rise_db": rest,
            "company": _company(view, rise, line),
            "smear_db": growth * np.float32(frame_s),
        }
        for name, values in columns.items():
            figures[:, COLUMNS.index(name)] = values
    return Rising(line, growth, figures)


def _rest_rise(
    level: Figures, present: Figures, total: Figures, rise: Rise, line: NDArray[np.intp]
) -> Figures:
    """Return how far the channel without the line rose over the frames of the fit, dB."""
    tone = np.float32(1.5) * np.float32(10) ** (level / 10) * present
    rest = np.maximum(total - tone, np.float32(0.05) * total)
    rest_db = 10 * np.log10(np.maximum(rest, np.float32(1e-13)))
    return fit(rest_db.astype(np.float32), present).slope * rise.frames[line]


def _company(view: LineView, rise: Rise, line: NDArray[np.intp]) -> Figures:
    """Return how many other lines of the same channel rise by half as much or more."""
    alike = view.ch[line, None] == view.ch
    alike &= np.abs(view.position[line, None] - view.position) > 4
    alike &= rise.rise_db > 0.5 * rise.rise_db[line, None]
    alike &= (rise.residual_db < LARGEST_RESIDUAL_DB) & (rise.frames >= 5)
    return alike.sum(axis=1).astype(np.float32)


def _describe_now(view: LineView, rising: Rising, frame_s: float) -> None:
    """Fill in the figures that need only the present frame, once per row."""
    lines, back = np.unique(rising.line, return_inverse=True)
    one = view.only(lines)
    pnpr = neighbours.measure(one)[back]
    recent = np.maximum(view.recent_power, np.float32(1e-14))[view.ch[rising.line]]
    tone = 10 ** (view.level_dbfs[rising.line] / 10) * 1.5
    many = view.only(rising.line)
    columns = {
        "pnpr_db": pnpr,
        "relative_db": 10 * np.log10(np.maximum(tone, 1e-14) / recent),
        "phpr_db": harmonics.measure(one)[back],
        "impurity_db": impurity_db(many, rising.column("smear_db")),
        "frequency_hz": many.frequency_hz,
        "frame_s": np.full(len(back), frame_s, np.float32),
    }
    for name, values in columns.items():
        rising.figures[:, COLUMNS.index(name)] = values
    wander = rising.figures[:, COLUMNS.index("wander")]
    wander /= 0.03 + 0.35 * 10 ** (-pnpr / 20)
