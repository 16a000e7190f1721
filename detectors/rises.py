"""Gather, for every peak that rises, what speaks for and against a ring.

One row is one peak over one span of time. The columns are plain physical figures; `belief` weighs
them. The same rows are what the bench collects to fit those weights.

Most peaks of music do not rise: `candidates` finds the few that do.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors import harmonics, neighbours
from prehowl.detectors.candidates import Candidates, straight_risers
from prehowl.detectors.climbers import View
from prehowl.detectors.growth import Rise, slope, slopes_of_the_last
from prehowl.detectors.spectrum import decibels, tone_power
from prehowl.detectors.steadiness import CENTS_PER_NEPER, wander_bins
from prehowl.detectors.tracks import Figures, looks_back

COLUMNS = (
    "rise_db",  # height of the straight line fitted to the level
    "duration_s",  # time over which it was seen to rise
    "residual_db",  # root mean square off that line
    "late_share",  # slope of the later half against the whole: an attack flattens
    "last_share",  # slope of the last quarter against the whole
    "wander",  # frequency deviation against what the neighbours explain
    "wander_cents",
    "share",  # of looks in which it was a peak
    "pnpr_db",
    "relative_db",  # tone against the channel's power of the last second
    "now_db",  # tone against the channel's power of this frame
    "rest_rise_db",  # how far the rest of the channel rose in the same time
    "crowd_rise_db",  # the same without the strongest other riser, which may be a ring too
    "flank_rise_db",  # how far the foot of its main lobe rose
    "company",  # other loud peaks of the channel that rise by half as much or more
    "usual_lines",  # how many lines the channel has in the long run
    "over_usual_db",  # tone against the channel's power in the long run
    "new_db",  # tone against the level at its place in the long run
    "phpr_db",
    "growth_db_per_s",
    "frequency_hz",
    "frame_s",
)
COLUMN = {name: number for number, name in enumerate(COLUMNS)}


@dataclass(frozen=True, slots=True)
class Rising:
    """Peaks that rise; one row a peak and span."""

    ch: NDArray[np.intp]  # (rows,)
    bin: NDArray[np.intp]  # (rows,)
    figures: Figures  # (rows, columns)

    def only(self, keep: slice) -> "Rising":
        """Return some of the rows."""
        return Rising(self.ch[keep], self.bin[keep], self.figures[keep])

    @property
    def growth_db_per_s(self) -> Figures:
        """How fast each rises by now: a line is hidden by the programme first, and so seems slow.

        The slope over the whole, or that of the later half where it is steeper, up to twice it.
        """
        steeper = np.clip(self.column("late_share"), 1, 2)
        return np.asarray(self.column("growth_db_per_s") * steeper, np.float32)

    def column(self, name: str) -> Figures:
        """Return one column of the figures."""
        return np.asarray(self.figures[:, COLUMN[name]])


def none_rising() -> Rising:
    """Return no rows."""
    none = np.zeros(0, np.intp)
    return Rising(none, none, np.zeros((0, len(COLUMNS)), np.float32))


def gather(views: Sequence[View]) -> tuple[Rising, NDArray[np.intp]]:
    """Return a row for each peak and span in which it rises straight enough.

    Parameters
    ----------
    views : sequence of View
        All frames of a tick and their memories, at once: see `candidates`.

    Returns
    -------
    rising : Rising
        Sorted by view.
    view : ndarray of int, shape (rows,)
        Number of the view that each row is of.
    """
    if not views:
        return none_rising(), np.zeros(0, np.intp)
    rows, rise = straight_risers(views)
    parts = slopes_of_the_last(rows.seen.level_dbfs, rows.seen.present, rise, (0.5, 0.25))
    late, last = parts / rise.slope
    # Leave out what has stopped rising: an attack that reached its note.
    kept = np.flatnonzero((late > 0.4) & (last > 0.2))
    if not len(kept):
        return none_rising(), kept
    rows, rise = rows.only(kept), rise.only(kept)
    figures = _figures(views, rows, rise, {"late_share": late[kept], "last_share": last[kept]})
    return Rising(rows.ch, rows.bin, figures), rows.view


@dataclass(frozen=True, slots=True)
class _Surroundings:
    """What stands around the rows in spectra and memories; arrays of shape (rows,)."""

    total: Figures  # power of the channel, now
    recent: Figures  # and lately
    total_past: Figures  # (rows, looks)
    pnpr_db: Figures
    phpr_db: Figures


def _surroundings(views: Sequence[View], rows: Candidates) -> _Surroundings:
    """Read what is needed in one go for each view, and work it out for all at once."""
    bin_count = np.array([view.memory.bins for view in views])[rows.view]
    harmonic, usable = harmonics.places(rows.bin, rows.position[:, -1], bin_count)
    beside = neighbours.places(rows.bin, bin_count)
    index = rows.ch * bin_count + np.concatenate([rows.bin[None], beside, harmonic])
    total, recent, power = [], [], []
    total_past = np.empty(rows.seen.present.shape, np.float32)
    for view, own in zip(views, rows.of_views(len(views)), strict=True):
        ch = rows.ch[own]
        total.append(view.now.total[ch])
        recent.append(view.now.recent_power[ch])
        power.append(view.now.power.reshape(-1)[index[:, own]])
        total_past[own] = view.memory.totals(ch, looks_back(rows.step[own]))
    all_power = np.concatenate(power, axis=1)
    here, around = all_power[0], all_power[1:]
    return _Surroundings(
        np.concatenate(total),
        np.concatenate(recent),
        total_past,
        neighbours.ratio_db(here, around[: len(beside)]),
        harmonics.ratio_db(here, around[len(beside) :], usable),
    )


def _strongest_other(rows: Candidates, tone: Figures) -> Figures:
    """Return the past power of the strongest other riser on each row's channel, or 0.

    Two rings may pass the limit together, and neither should speak against the other; a note
    brings more than one partial.
    """
    alike = rows.ch[:, None] == rows.ch
    alike &= (rows.step_s[:, None] == rows.step_s) & (rows.view[:, None] == rows.view)
    alike &= np.abs(rows.bin[:, None] - rows.bin) > 4
    strength = np.where(alike, tone[:, -1], 0)
    other = strength.argmax(axis=1)
    return np.where(alike.any(axis=1)[:, None], tone[other], 0)


def _figures(
    views: Sequence[View], rows: Candidates, rise: Rise, shares: dict[str, Figures]
) -> Figures:
    beside = _surroundings(views, rows)
    level, present = rows.seen.level_dbfs, rows.seen.present
    mean, deviation = wander_bins(level, rows.position, present)
    tone = tone_power(level)
    # Of the newest total: of each look's own, the rest of a lone tone would seem to rise with it.
    least = np.float32(0.01) * beside.total_past[:, -1:]
    rest = np.maximum(beside.total_past - tone * present, least)
    crowd = np.maximum(rest - _strongest_other(rows, tone), least)
    around_db = decibels(np.stack([rest, crowd, rows.seen.flank]))
    rest_rise, crowd_rise, flank_rise = slope(around_db, present) * rise.looks
    now_db = decibels(tone[:, -1])
    frequency = (mean / rows.frame_s).astype(np.float32)
    relative_db = now_db - decibels(beside.recent)
    usual = views[0].background.at(rows.ch, frequency)
    # At a stream's begin, what little is known of the past second stands in; nothing is new.
    over_usual_db = np.where(usual.is_known, now_db - usual.total_dbfs, relative_db)
    new_db = np.where(usual.is_known, level[:, -1] - usual.level_dbfs, 0)
    # A howl that was here before is no sign against itself: it is what the means are full of.
    is_again = usual.before_dbfs < np.inf
    new_db = np.where(
        is_again, level[:, -1] - np.minimum(usual.before_dbfs, usual.level_dbfs), new_db
    )
    share_db = now_db - decibels(beside.total)
    relative_db = np.where(is_again, np.maximum(relative_db, share_db), relative_db)
    over_usual_db = np.where(usual.has_rung, np.maximum(over_usual_db, relative_db), over_usual_db)
    columns = {
        "rise_db": rise.rise_db,
        "duration_s": rise.looks * rows.step_s,
        "residual_db": rise.residual_db,
        # What the neighbours do to the interpolated place of a tone: their amplitude against its.
        "wander": deviation / (0.03 + 0.35 * 10 ** (-beside.pnpr_db / 20)),
        "wander_cents": CENTS_PER_NEPER * deviation / np.maximum(mean, 1),
        "share": rise.share,
        "pnpr_db": beside.pnpr_db,
        "relative_db": relative_db,
        "now_db": share_db,
        "rest_rise_db": rest_rise,
        "crowd_rise_db": crowd_rise,
        "flank_rise_db": flank_rise,
        "company": rows.company,
        "usual_lines": usual.lines,
        "over_usual_db": over_usual_db,
        "new_db": new_db,
        "phpr_db": beside.phpr_db,
        "growth_db_per_s": rise.slope / rows.step_s,
        "frequency_hz": frequency,
        "frame_s": rows.frame_s,
        **shares,
    }
    figures = np.empty((len(level), len(COLUMNS)), np.float32)
    for name, values in columns.items():
        figures[:, COLUMN[name]] = values
    return figures
