"""Gather, for every peak that rises, what speaks for and against a ring.

One row is one peak over one span of time. The columns are plain physical figures; `belief` weighs
them. The same rows are what the bench collects to fit those weights.

Most peaks of music do not rise, so the cheap look of `climbers` comes first and all else is done
for few.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors import harmonics, neighbours
from prehowl.detectors.climbers import LEAST_CLIMB_DB, find_climbers
from prehowl.detectors.growth import Rise, fit, slope, slopes_of_the_last
from prehowl.detectors.memory import SpectrumMemory
from prehowl.detectors.peaks import Peaks
from prehowl.detectors.spectrum import decibels
from prehowl.detectors.steadiness import CENTS_PER_NEPER, wander_bins
from prehowl.detectors.tracks import (
    Figures,
    Now,
    Seen,
    Tracks,
    around,
    looks_back,
    see,
    tracks_of,
)

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
    "record_db",  # level against the loudest at this place before it began to rise
    "company",  # other peaks of the channel that rise by half as much or more
    "phpr_db",
    "growth_db_per_s",
    "frequency_hz",
    "frame_s",
)
COLUMN = {name: number for number, name in enumerate(COLUMNS)}

SMALLEST_RISE_DB = 2 * LEAST_CLIMB_DB
LARGEST_RESIDUAL_DB = 3.0
LARGEST_SMEAR_DB = 22.0
"""Growth within one frame beyond which a spectrum shows the window's skirt, not the tone."""

RECORD_LOOKS = 16
"""How many moments of the long past are read."""


@dataclass(frozen=True, slots=True)
class Rising:
    """Peaks that rise; one row a peak and span."""

    ch: NDArray[np.intp]  # (rows,)
    bin: NDArray[np.intp]  # (rows,)
    figures: Figures  # (rows, columns)

    def column(self, name: str) -> Figures:
        """Return one column of the figures."""
        return np.asarray(self.figures[:, COLUMN[name]])


def none_rising() -> Rising:
    """Return no rows."""
    none = np.zeros(0, np.intp)
    return Rising(none, none, np.zeros((0, len(COLUMNS)), np.float32))


def joined(parts: Sequence[Rising]) -> Rising:
    """Return the rows of all parts."""
    some = [part for part in parts if len(part.ch)]
    if len(some) < 2:
        return some[0] if some else none_rising()
    return Rising(
        np.concatenate([part.ch for part in some]),
        np.concatenate([part.bin for part in some]),
        np.concatenate([part.figures for part in some]),
    )


@dataclass(frozen=True, slots=True)
class View:
    """What to look for rises in: one frame and one memory of its past."""

    now: Now  # the newest frame
    peaks: Peaks  # of that frame
    memory: SpectrumMemory  # its past
    steps: tuple[int, ...]  # frames of the memory from look to look, one for each span
    longest: SpectrumMemory  # the memory that reaches back farthest in this resolution
    is_reference: NDArray[np.bool_]  # (channels,) what rises there rises in no loop


@dataclass(frozen=True, slots=True)
class _Candidates:
    """Climbers of all views, sorted by view; arrays of shape (rows,)."""

    view: NDArray[np.intp]
    ch: NDArray[np.intp]
    bin: NDArray[np.intp]
    step: NDArray[np.intp]  # frames from look to look
    step_s: Figures
    frame_s: Figures
    company: Figures
    seen: Seen  # over their past, (rows, looks)

    def only(self, keep: NDArray[np.intp]) -> "_Candidates":
        """Return some of the rows."""
        return _Candidates(
            self.view[keep],
            self.ch[keep],
            self.bin[keep],
            self.step[keep],
            self.step_s[keep],
            self.frame_s[keep],
            self.company[keep],
            self.seen.only(keep),
        )

    def bounds(self, views: int) -> list[int]:
        """Return where the rows of each view begin, and where the last end."""
        return [int(at) for at in np.searchsorted(self.view, np.arange(views + 1))]


def gather(views: Sequence[View]) -> list[Rising]:
    """Return, for each view, a row for each peak and span in which it rises straight enough.

    All views of a tick are judged at once: there are a dozen rows in each, so that the work is
    not the sums but the calls, and those are the same for many rows as for few.
    """
    rows = _candidates(views)
    rise = fit(rows.seen.level_dbfs, rows.seen.present)
    kept = np.flatnonzero(_is_straight(rows, rise))
    rows, rise = rows.only(kept), rise.only(kept)
    parts = slopes_of_the_last(rows.seen.level_dbfs, rows.seen.present, rise, (0.5, 0.25))
    late, last = parts / rise.slope
    # Leave out what has stopped rising: an attack that reached its note.
    kept = np.flatnonzero((late > 0.4) & (last > 0.2))
    if not len(kept):
        return [none_rising()] * len(views)
    rows, rise = rows.only(kept), rise.only(kept)
    figures = _figures(views, rows, rise, {"late_share": late[kept], "last_share": last[kept]})
    return [
        Rising(rows.ch[begin:end], rows.bin[begin:end], figures[begin:end])
        for begin, end in pairwise(rows.bounds(len(views)))
    ]


def _candidates(views: Sequence[View]) -> _Candidates:
    """Return what passed the cheap look, with its past."""
    found = [
        find_climbers(view.peaks, view.memory, view.steps, view.is_reference) for view in views
    ]
    powers, ch, bins = [], [], []
    for view, climbers in zip(views, found, strict=True):
        ch.append(view.peaks.ch[climbers.peak])
        bins.append(view.peaks.bin[climbers.peak])
        powers.append(around(view.memory, ch[-1], bins[-1], looks_back(climbers.step)))
    own = np.repeat(np.arange(len(views)), [len(climbers.peak) for climbers in found])
    step = np.concatenate([climbers.step for climbers in found])
    hop_s = np.array([view.memory.hop_s for view in views])
    frame_s = np.array([1 / view.now.bin_hz for view in views], np.float32)
    return _Candidates(
        own,
        np.concatenate(ch),
        np.concatenate(bins),
        step,
        (step * hop_s[own]).astype(np.float32),
        frame_s[own],
        np.concatenate([climbers.company for climbers in found]),
        see(np.concatenate(powers, axis=1)),
    )


def _is_straight(rows: _Candidates, rise: Rise) -> NDArray[np.bool_]:
    """Tell which rows rise high and straight enough, and were seen for long enough."""
    rise_db = rise.rise_db
    keep = (rise_db >= SMALLEST_RISE_DB) & (rise.residual_db <= LARGEST_RESIDUAL_DB)
    keep &= rise.slope * rows.frame_s <= LARGEST_SMEAR_DB * rows.step_s
    keep &= (rise.looks >= 4) & (rise.looks * rows.step_s >= 1.05 * rows.frame_s)
    return np.asarray(keep & (rise.share >= 0.7))


def _record_db(tracks: Tracks, seen_s: Figures, longest: SpectrumMemory) -> Figures:
    """Return the level now against the loudest before the rise: a note comes back, a ring not."""
    back = longest.frames // RECORD_LOOKS * np.arange(RECORD_LOOKS)
    index = (tracks.ch * longest.bins + tracks.bin)[:, None]
    earlier = longest.past(index, back[None])[:, :, 0]
    before = back * np.float32(longest.hop_s) > seen_s[:, None]
    loudest = decibels(np.where(before, earlier, 0).max(axis=1))
    return np.asarray(tracks.level_dbfs[:, -1] - loudest, np.float32)


def _strongest_other(rows: _Candidates, tone: Figures) -> Figures:
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


@dataclass(frozen=True, slots=True)
class _Surroundings:
    """What a view's own spectrum and memory say of its rows; arrays of shape (rows,)."""

    total: Figures  # power of the channel, now
    recent: Figures  # and lately
    total_past: Figures  # (rows, looks)
    pnpr_db: Figures
    phpr_db: Figures
    record_db: Figures


def _surroundings(view: View, rows: _Candidates, seen_s: Figures) -> _Surroundings:
    tracks = tracks_of(view.now, view.memory, rows.ch, rows.bin, rows.step, rows.seen)
    return _Surroundings(
        view.now.total[rows.ch],
        view.now.recent_power[rows.ch],
        tracks.total_past,
        neighbours.measure(tracks),
        harmonics.measure(tracks),
        _record_db(tracks, seen_s, view.longest),
    )


def _all_surroundings(views: Sequence[View], rows: _Candidates, seen_s: Figures) -> _Surroundings:
    parts = []
    for view, (begin, end) in zip(views, pairwise(rows.bounds(len(views))), strict=True):
        if begin < end:
            own = slice(begin, end)
            parts.append(_surroundings(view, rows.only(own), seen_s[own]))
    return _Surroundings(
        *(
            np.concatenate([getattr(part, field.name) for part in parts])
            for field in fields(_Surroundings)
        )
    )


def _figures(
    views: Sequence[View], rows: _Candidates, rise: Rise, shares: dict[str, Figures]
) -> Figures:
    seen_s = rise.looks * rows.step_s
    beside = _all_surroundings(views, rows, seen_s)
    level, present = rows.seen.level_dbfs, rows.seen.present
    position = rows.bin[:, None] + rows.seen.offset
    mean, deviation = wander_bins(level, position, present)
    tone = np.asarray(np.float32(1.5) * np.float32(10) ** (level / 10), np.float32)
    # Of the newest total: of each look's own, the rest of a lone tone would seem to rise with it.
    least = np.float32(0.01) * beside.total_past[:, -1:]
    rest = np.maximum(beside.total_past - tone * present, least)
    crowd = np.maximum(rest - _strongest_other(rows, tone), least)
    around_db = decibels(np.stack([rest, crowd, rows.seen.flank]))
    rest_rise, crowd_rise, flank_rise = slope(around_db, present) * rise.looks
    now_db = decibels(tone[:, -1])
    columns = {
        "rise_db": rise.rise_db,
        "duration_s": seen_s,
        "residual_db": rise.residual_db,
        # What the neighbours do to the interpolated place of a tone: their amplitude against its.
        "wander": deviation / (0.03 + 0.35 * 10 ** (-beside.pnpr_db / 20)),
        "wander_cents": CENTS_PER_NEPER * deviation / np.maximum(mean, 1),
        "share": rise.share,
        "pnpr_db": beside.pnpr_db,
        "relative_db": now_db - decibels(beside.recent),
        "now_db": now_db - decibels(beside.total),
        "rest_rise_db": rest_rise,
        "crowd_rise_db": crowd_rise,
        "flank_rise_db": flank_rise,
        "record_db": beside.record_db,
        "company": rows.company,
        "phpr_db": beside.phpr_db,
        "growth_db_per_s": rise.slope / rows.step_s,
        "frequency_hz": mean / rows.frame_s,
        "frame_s": rows.frame_s,
        **shares,
    }
    figures = np.empty((len(level), len(COLUMNS)), np.float32)
    for name, values in columns.items():
        figures[:, COLUMN[name]] = values
    return figures
