"""The cheap look: which peaks may be rising at all, from three moments of the past.

Most peaks of music do not rise, so this comes first and all else is done for few. It compares
powers, which costs next to nothing, and takes logarithms only of what has risen at all.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.background import Background
from prehowl.detectors.memory import SpectrumMemory
from prehowl.detectors.peaks import Peaks
from prehowl.detectors.spectrum import FLOOR_POWER, decibels
from prehowl.detectors.tracks import Figures, Now

LEAST_CLIMB_DB = 2.0
"""Half of the smallest rise that counts, since half a span ago."""

HALF_LOOKS, QUARTER_LOOKS, LAST_LOOK = 6, 3, 1
"""The moments looked at: half and a quarter of a span ago, and just before."""

COMPANY_RATIO = np.float32(10 ** (0.45 * LEAST_CLIMB_DB / 10))
"""Company rises by half as much as a climber or more; a hair less here, against rounding."""


COMPANY_SHARE = np.float32(10 ** (-18.0 / 10))
"""Share of the channel's power below which a riser is no company: noise is full of such peaks, of
which some rise at any time; a note's partials are louder."""


@dataclass(frozen=True, slots=True)
class View:
    """What to look for rises in: one frame and one memory of its past."""

    now: Now  # the newest frame
    peaks: Peaks  # of that frame
    memory: SpectrumMemory  # its past
    steps: NDArray[np.intp]  # frames of the memory from look to look, one for each span
    is_reference: NDArray[np.bool_]  # (channels,) what rises there rises in no loop
    background: Background  # what was known of the places before


@dataclass(frozen=True, slots=True)
class Climbers:
    """Peaks over a span each, of all views, sorted by view; arrays of shape (rows,)."""

    view: NDArray[np.intp]  # number of the view
    ch: NDArray[np.intp]
    bin: NDArray[np.intp]
    step: NDArray[np.intp]  # frames from look to look
    company: Figures  # other loud peaks of the channel that rise by half as much or more


def parts_of(view: NDArray[np.intp], count: int) -> list[slice]:
    """Return where each of `count` views stands in a sorted list of their numbers."""
    ends = np.searchsorted(view, np.arange(count + 1)).tolist()
    return [slice(begin, end) for begin, end in pairwise(ends)]


def find_climbers(views: Sequence[View]) -> Climbers:
    """Take the cheap look at every peak over every span of some views."""
    risers = _risers(views)
    climbs = risers.rise_db >= LEAST_CLIMB_DB
    for number, view in enumerate(views):
        if view.is_reference.any():
            climbs &= ~_known_to_a_reference(risers, number, view)
    some = np.flatnonzero(climbs)
    some = some[_goes_on(views, risers, some)]
    return Climbers(
        risers.view[some],
        risers.ch[some],
        risers.bin[some],
        risers.step[some],
        company(risers.group, risers.rise_db, risers.is_loud, some),
    )


@dataclass(frozen=True, slots=True)
class _Risers:
    """What has risen enough to be company at least; arrays of shape (risers,), by view and span."""

    view: NDArray[np.intp]
    ch: NDArray[np.intp]
    bin: NDArray[np.intp]
    step: NDArray[np.intp]
    group: NDArray[np.intp]  # another number for each view, span and channel
    level_dbfs: Figures
    rise_db: Figures  # since half a span ago
    is_loud: NDArray[np.bool_]  # enough to be company


def _risers(views: Sequence[View]) -> _Risers:
    found, past = [], []
    for own in views:
        before = own.memory.at(own.peaks.index, HALF_LOOKS * own.steps[:, None])
        before = np.maximum(before, FLOOR_POWER)
        rises = np.flatnonzero(own.peaks.power >= COMPANY_RATIO * before)
        found.append(rises)
        past.append(before.reshape(-1)[rises])
    view = np.repeat(np.arange(len(views)), [len(rises) for rises in found])
    # From the place in a view's table of spans and peaks to places in the lists of all views.
    peaks = np.array([len(own.peaks.ch) for own in views])
    spans = np.array([len(own.steps) for own in views])
    span, peak = np.divmod(np.concatenate(found), np.maximum(peaks, 1)[view])
    span += (np.cumsum(spans) - spans)[view]
    peak += (np.cumsum(peaks) - peaks)[view]
    ch = np.concatenate([own.peaks.ch for own in views])[peak]
    power = np.concatenate([own.peaks.power for own in views])[peak]
    total = np.concatenate([own.now.total[own.peaks.ch] for own in views])[peak]
    level, level_before = decibels(np.stack([power, np.concatenate(past)]))
    return _Risers(
        view,
        ch,
        np.concatenate([own.peaks.bin for own in views])[peak],
        np.concatenate([own.steps for own in views])[span],
        span * len(views[0].is_reference) + ch,
        level,
        level - level_before,
        power >= COMPANY_SHARE * total,
    )


def _goes_on(views: Sequence[View], risers: _Risers, some: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Tell which of some rose evenly: a part of it lately, and not all of it."""
    ch, bins, step = risers.ch[some], risers.bin[some], risers.step[some]
    back = np.array([[QUARTER_LOOKS], [LAST_LOOK]]) * step
    past = [
        view.memory.at(ch[own] * view.memory.bins + bins[own], back[:, own])
        for view, own in zip(views, parts_of(risers.view[some], len(views)), strict=True)
    ]
    half = risers.rise_db[some]
    quarter, last = risers.level_dbfs[some] - decibels(np.concatenate(past, axis=1))
    evenly = (last > -0.3) & (last < 0.5 * half + 0.5)
    evenly &= (quarter > np.maximum(0.2 * half, 0.6)) & (quarter < 0.8 * half + 1)
    return np.asarray(evenly)


def company(
    group: NDArray[np.intp],
    rise_db: Figures,
    is_loud: NDArray[np.bool_],
    some: NDArray[np.intp],
) -> Figures:
    """Return how many loud others of the same group rise by half as much as some do, or more.

    Parameters
    ----------
    group, rise_db, is_loud : ndarray, shape (risers,)
        Sorted by nothing in particular.
    some : ndarray of int, shape (rows,)
        Numbers of risers.

    Returns
    -------
    ndarray of float32, shape (rows,)
    """
    apart = 400.0  # more than any two levels differ: one sorted list serves all groups
    order = np.sort(group * apart + np.where(is_loud, np.maximum(rise_db, -150), -150))
    mine = group[some]
    members_end = np.cumsum(np.bincount(group))[mine]
    below = np.searchsorted(order, mine * apart + 0.5 * rise_db[some])
    return np.asarray(members_end - below - is_loud[some], np.float32)


def _known_to_a_reference(risers: _Risers, number: int, view: View) -> NDArray[np.bool_]:
    """Tell which of a view's risers rise in a reference channel too, over the same span."""
    known = np.zeros(len(risers.view), np.bool_)
    for step in view.steps:
        own = np.flatnonzero((risers.view == number) & (risers.step == step))
        known[own] = known_to_a_reference(
            risers.ch[own], risers.bin[own], risers.rise_db[own], view.is_reference
        )
    return known


def known_to_a_reference(
    ch: NDArray[np.intp],
    bins: NDArray[np.intp],
    rise_db: Figures,
    is_reference: NDArray[np.bool_],
) -> NDArray[np.bool_]:
    """Tell which peaks rise in a reference channel too (or belong to one): that is music.

    Parameters
    ----------
    ch, bins, rise_db : ndarray, shape (risers,)
        Over one span.
    is_reference : ndarray of bool, shape (channels,)
    """
    own = is_reference[ch]
    highest = np.full(bins.max(initial=0) + 3, -200, np.float32)
    np.maximum.at(highest, bins[own] + 1, rise_db[own])
    near = np.maximum(np.maximum(highest[:-2], highest[1:-1]), highest[2:])
    return own | (near[bins] >= 0.5 * rise_db)
