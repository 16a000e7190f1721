"""Gather, for every line that rises, what speaks for and against a ring.

One row is one line over one duration. The columns are plain physical figures; `belief` weighs
them. The same rows are what the bench collects to fit those weights.

Most lines of music do not rise, so the cheap test on the line's own running mean comes first and
all else is done for few. Measured on mixed material of the bench: 15 % of the lines are left.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors import harmonics, neighbours
from prehowl.detectors.growth import Rise, fit, slope_of_the_last
from prehowl.detectors.lines import SLOW_STEP, LineView
from prehowl.detectors.steadiness import CENTS_PER_NEPER, wander_bins

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
    "growth_db_per_s",
    "frequency_hz",
    "frame_s",
)
COLUMN = {name: number for number, name in enumerate(COLUMNS)}

SMALLEST_RISE_DB = 4.0
SMALLEST_LIFT_DB = 1.6
"""A line that rose by R over a span stands R / 2 above its mean over it; less with a residual."""

LARGEST_RESIDUAL_DB = 3.0
LARGEST_SMEAR_DB = 22.0
"""Growth within one frame beyond which a spectrum shows the window's skirt, not the tone."""


@dataclass(frozen=True, slots=True)
class Span:
    """A duration to look back over."""

    slow: bool  # in the slow history
    frames: int


@dataclass(frozen=True, slots=True)
class Rising:
    """Lines that rise; one row a line and span."""

    row: NDArray[np.intp]  # (rows,) slot numbers as in `LineView.row`
    figures: Figures  # (rows, columns)

    def column(self, name: str) -> Figures:
        """Return one column of the figures."""
        return np.asarray(self.figures[:, COLUMN[name]])

    def only(self, keep: NDArray[np.bool_]) -> "Rising":
        """Return some of the rows."""
        return Rising(self.row[keep], self.figures[keep])


def none_rising() -> Rising:
    """Return no rows."""
    return Rising(np.zeros(0, np.intp), np.zeros((0, len(COLUMNS)), np.float32))


def joined(parts: list[Rising]) -> Rising:
    """Return the rows of all parts."""
    parts = [part for part in parts if len(part.row)]
    if not parts:
        return none_rising()
    if len(parts) == 1:
        return parts[0]
    return Rising(
        np.concatenate([part.row for part in parts]),
        np.concatenate([part.figures for part in parts]),
    )


def gather(view: LineView, spans: tuple[Span, ...], *, frame_s: float) -> Rising:
    """Return a row for each line and span in which the line rises straight enough.

    Parameters
    ----------
    view : LineView
    spans : tuple of Span
        Of one history, fast or slow.
    frame_s : float
        Length of the analysis frame.
    """
    lifted = np.flatnonzero(view.lift_db >= SMALLEST_LIFT_DB)
    if not len(lifted):
        return none_rising()
    view = view.only(lifted)
    line, figures = _over_all(view, spans, frame_s)
    if not len(line):
        return none_rising()
    _describe_now(view, line, figures, frame_s)
    return Rising(view.row[line], figures)


def _over_all(
    view: LineView, spans: tuple[Span, ...], frame_s: float
) -> tuple[NDArray[np.intp], Figures]:
    """Fit all lines over all spans at once: few lines rise, so calls cost more than sums."""
    slow = spans[0].slow
    longest = max(span.frames for span in spans)
    step_s = view.hop_s * (SLOW_STEP if slow else 1)
    level, position, present = (view.slow if slow else view.fast).last(view.row, longest)
    back = np.arange(longest, 0, -1)
    inside = (back <= np.array([[span.frames] for span in spans])).astype(np.float32)
    many = len(spans)
    seen = (inside[:, None] * present).reshape(-1, longest)
    rise = fit(np.tile(level, (many, 1)), seen)
    keep = rise.rise_db >= SMALLEST_RISE_DB
    keep &= rise.residual_db <= LARGEST_RESIDUAL_DB
    keep &= rise.slope <= LARGEST_SMEAR_DB * step_s / frame_s
    keep &= (rise.frames >= max(5.0, 1.05 * frame_s / step_s)) & (rise.share >= 0.7)
    # A span that reaches back before the line's birth says what the next shorter one said.
    rows = np.flatnonzero(keep)
    line = rows % len(view.row)
    if not len(rows):
        return line, np.zeros((0, len(COLUMNS)), np.float32)
    company = _company(view, rise, rows)
    part = Rise(rise.slope[rows], rise.residual_db[rows], rise.frames[rows], rise.share[rows])
    total = (view.slow_total if slow else view.fast_total)[view.ch[line], -longest:]
    figures = _figures(level[line], position[line], seen[rows], total, part, step_s)
    figures[:, COLUMN["company"]] = company
    return _still_rising(line, figures)


def _figures(
    level: Figures, position: Figures, present: Figures, total: Figures, rise: Rise, step_s: float
) -> Figures:
    figures = np.zeros((len(level), len(COLUMNS)), np.float32)
    mean, deviation = wander_bins(level, position, present)
    columns = {
        "rise_db": rise.rise_db,
        "duration_s": rise.frames * np.float32(step_s),
        "residual_db": rise.residual_db,
        "late_share": slope_of_the_last(level, present, rise, 0.5) / rise.slope,
        "last_share": slope_of_the_last(level, present, rise, 0.25) / rise.slope,
        "wander": deviation,
        "wander_cents": CENTS_PER_NEPER * deviation / np.maximum(mean, 1),
        "share": rise.share,
        "rest_rise_db": _rest_rise(level, present, total, rise),
        "growth_db_per_s": rise.slope / np.float32(step_s),
    }
    for name, values in columns.items():
        figures[:, COLUMN[name]] = values
    return figures


def _still_rising(line: NDArray[np.intp], figures: Figures) -> tuple[NDArray[np.intp], Figures]:
    """Leave out what has stopped rising: an attack that reached its note."""
    keep = figures[:, COLUMN["late_share"]] > 0.5
    keep &= figures[:, COLUMN["last_share"]] > 0.3
    return line[keep], figures[keep]


def _rest_rise(level: Figures, present: Figures, total: Figures, rise: Rise) -> Figures:
    """Return how far the channel without the line rose over the frames of the fit, dB."""
    tone = np.float32(1.5) * np.float32(10) ** (level / 10) * present
    rest = np.maximum(total - tone, np.float32(0.05) * total)
    rest_db = 10 * np.log10(np.maximum(rest, np.float32(1e-13)))
    return fit(rest_db.astype(np.float32), present).slope * rise.frames


def _company(view: LineView, rise: Rise, rows: NDArray[np.intp]) -> Figures:
    """Return how many other lines of the same channel rise by half as much or more."""
    lines = len(view.row)
    straight = (rise.residual_db < LARGEST_RESIDUAL_DB) & (rise.frames >= 5)
    height = np.where(straight, rise.rise_db, 0).reshape(-1, lines)[rows // lines]
    line = rows % lines
    alike = view.ch[line, None] == view.ch
    alike &= np.abs(view.position[line, None] - view.position) > 4
    alike &= height > 0.5 * rise.rise_db[rows, None]
    return np.asarray(alike.sum(axis=1), np.float32)


def _describe_now(view: LineView, line: NDArray[np.intp], figures: Figures, frame_s: float) -> None:
    """Fill in the figures that need only the present frame, once per line."""
    lines, back = np.unique(line, return_inverse=True)
    one = view.only(lines)
    pnpr = neighbours.measure(one)
    recent = np.maximum(view.recent_power[one.ch], np.float32(1e-14))
    tone = 1.5 * 10 ** (one.level_dbfs / 10)
    columns = {
        "pnpr_db": pnpr,
        "relative_db": 10 * np.log10(np.maximum(tone, 1e-14) / recent),
        "phpr_db": harmonics.measure(one),
        "frequency_hz": one.frequency_hz,
    }
    for name, values in columns.items():
        figures[:, COLUMN[name]] = values[back]
    figures[:, COLUMN["frame_s"]] = frame_s
    # What the neighbours do to the interpolated place of a tone: their amplitude against its.
    figures[:, COLUMN["wander"]] /= (0.03 + 0.35 * 10 ** (-pnpr / 20))[back]
