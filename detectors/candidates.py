"""Find, among all peaks, the few whose level has risen in a straight line.

First the cheap look of `climbers`, then the whole past of what passed it. All frames of a tick are
worked on at once: each has a hundred rows at most, so that the work is not the sums but the calls
of numpy, and those cost the same for many rows as for few.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.climbers import LEAST_CLIMB_DB, View, find_climbers, parts_of
from prehowl.detectors.growth import Rise, fit
from prehowl.detectors.tracks import Figures, Seen, around, looks_back, see

SMALLEST_RISE_DB = 2 * LEAST_CLIMB_DB
LARGEST_RESIDUAL_DB = 3.0
LARGEST_SMEAR_DB = 22.0
"""Growth within one frame beyond which a spectrum shows the window's skirt, not the tone."""


@dataclass(frozen=True, slots=True)
class Candidates:
    """Peaks over a span each, of all views, sorted by view; arrays of shape (rows,)."""

    view: NDArray[np.intp]  # number of the view
    ch: NDArray[np.intp]
    bin: NDArray[np.intp]
    step: NDArray[np.intp]  # frames from look to look
    step_s: Figures
    frame_s: Figures
    company: Figures  # other loud peaks of the channel that rise by half as much or more
    seen: Seen  # over their past, (rows, looks)

    @property
    def position(self) -> NDArray[np.float64]:
        """Place of each tone over its past, in bins, shape (rows, looks)."""
        return np.asarray(self.bin[:, None] + self.seen.offset, np.float64)

    def only(self, keep: NDArray[np.intp] | slice) -> "Candidates":
        """Return some of the rows."""
        return Candidates(
            self.view[keep],
            self.ch[keep],
            self.bin[keep],
            self.step[keep],
            self.step_s[keep],
            self.frame_s[keep],
            self.company[keep],
            self.seen.only(keep),
        )

    def of_views(self, count: int) -> list[slice]:
        """Return where the rows of each of `count` views stand."""
        return parts_of(self.view, count)


def straight_risers(views: Sequence[View]) -> tuple[Candidates, Rise]:
    """Return the peaks of some views that rise straight enough, and the line of each.

    Parameters
    ----------
    views : sequence of View
        One at least.
    """
    rows = _climbers_of(views)
    rise = fit(rows.seen.level_dbfs, rows.seen.present)
    kept = np.flatnonzero(_is_straight(rows, rise))
    return rows.only(kept), rise.only(kept)


def _climbers_of(views: Sequence[View]) -> Candidates:
    """Return what passed the cheap look, with its past."""
    climbers = find_climbers(views)
    ch, bins, step = climbers.ch, climbers.bin, climbers.step
    back = looks_back(step)
    power = [
        around(view.memory, ch[own], bins[own], back[own])
        for view, own in zip(views, parts_of(climbers.view, len(views)), strict=True)
    ]
    hop_s = np.array([view.memory.hop_s for view in views])
    frame_s = np.array([1 / view.now.bin_hz for view in views], np.float32)
    return Candidates(
        climbers.view,
        ch,
        bins,
        step,
        (step * hop_s[climbers.view]).astype(np.float32),
        frame_s[climbers.view],
        climbers.company,
        see(np.concatenate(power, axis=1)),
    )


def _is_straight(rows: Candidates, rise: Rise) -> NDArray[np.bool_]:
    """Tell which rows rise high and straight enough, and were seen for long enough."""
    keep = (rise.rise_db >= SMALLEST_RISE_DB) & (rise.residual_db <= LARGEST_RESIDUAL_DB)
    keep &= rise.slope * rows.frame_s <= LARGEST_SMEAR_DB * rows.step_s
    keep &= (rise.looks >= 4) & (rise.looks * rows.step_s >= 1.05 * rows.frame_s)
    return np.asarray(keep & (rise.share >= 0.7))
