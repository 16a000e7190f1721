"""One channel on one line: state, number, name, level, 31 bands, and its rings in words."""

import numpy as np
from rich.cells import cell_len
from rich.style import Style

from prehowl.daemon.alerts_now import BADNESS
from prehowl.daemon.events import RingEvent
from prehowl.daemon.sinks.dashboard.channels import BANDS, Columns, rank_of, rings_by_channel
from prehowl.daemon.sinks.dashboard.frame import Line, Paper
from prehowl.daemon.sinks.dashboard.glyphs import Signs
from prehowl.daemon.sinks.dashboard.model import View
from prehowl.daemon.sinks.dashboard.themes import Theme
from prehowl.daemon.sinks.dashboard.wording import (
    band_and_cut,
    cut_to,
    fitted,
    hearing_words,
    joined,
    progress_words,
)
from prehowl.detectors.bands import NOMINAL_HZ

FLOOR_DBFS = -60.0  # left end of the level meter
CLIP_DBFS = -0.1
SILENT_DBFS = -90.0
WARM_STEPS = 4  # eighths of an alarm from which a band is drawn strong
STATE_STEPS = (0, 2, 5, 8)
"""Height at least of a band with a ring in it: calm, suspect, ringing, howling."""


def channel_lines(view: View, first: int, count: int, paper: Paper) -> list[Line]:
    """Return one line for each channel of the page."""
    columns = Columns.for_width(paper.width, view.numbers)
    rings = rings_by_channel(view)
    heights = _heights(view, first, count)
    return [
        _channel_line(view, row, rings.get(view.numbers[row], []), steps, columns, paper)
        for row, steps in enumerate(heights, first)
    ]


def _heights(view: View, first: int, count: int) -> list[list[int]]:
    """Return suspicion as steps 0..8 for the rows of a page; unknown counts as none."""
    size = len(view.numbers[first : first + count])
    if view.snapshot is None:
        return [[0] * BANDS for _ in range(size)]
    shares = np.nan_to_num(view.snapshot.suspicion[first : first + size], nan=0.0)
    steps: list[list[int]] = np.ceil(np.clip(shares, 0, 1) * 8 - 0.5).astype(int).tolist()
    return steps


def _channel_line(
    view: View,
    row: int,
    rings: list[RingEvent],
    steps: list[int],
    columns: Columns,
    paper: Paper,
) -> Line:
    signs = paper.signs
    rank = rank_of(rings)
    style = paper.theme.of_state(rank)
    mark = signs.states[rank] if rank else " "
    line = paper.line()
    line.put(mark, paper.theme.mark_of_state(rank))
    line.put(f"{view.numbers[row]:>{columns.number}} ", style)
    line.put(fitted(view.names[row], columns.name, signs.ellipsis), style).put(" ")
    _put_level(line, view, row, columns, paper)
    if columns.per_band:
        _put_bands(line, steps, rings, view.weak[row], columns.per_band, paper)
    line.put(" ")
    return line.put(_ring_words(view, rings, line.left, signs), style)


def _ring_words(view: View, rings: list[RingEvent], cells: int, signs: Signs) -> str:
    """Return the rings in words, with their trends where there is room for one at least."""
    rings = sorted(rings, key=lambda ring: not ring.is_named)  # its own before what it hears
    cores = [
        f"{ring.state} {band_and_cut(ring)}" if ring.is_named else hearing_words(ring)
        for ring in rings
    ]
    trends = [_trend(view, ring) for ring in rings]
    full = [f"{core} {trend}".rstrip() for core, trend in zip(cores, trends, strict=True)]
    # The state stands at the line's beginning, too.
    bare = [band_and_cut(r) if r.is_named else core for r, core in zip(rings, cores, strict=True)]
    fitting = (words for words in (full, cores) if words and cell_len(words[0]) <= cells)
    parts = next(fitting, bare)
    return joined([cut_to(part, cells, signs.ellipsis) for part in parts], cells, signs.dot)


def _trend(view: View, ring: RingEvent) -> str:
    if ring.alert_id in view.quieted:
        return "noted"
    return progress_words(ring, view.time_s) if ring.is_named else ""


def _put_level(line: Line, view: View, row: int, columns: Columns, paper: Paper) -> None:
    snapshot, signs = view.snapshot, paper.signs
    level = float(snapshot.level_dbfs[row]) if snapshot is not None else float("-inf")
    peak = float(snapshot.peak_dbfs[row]) if snapshot is not None else float("-inf")
    if peak >= CLIP_DBFS:
        line.put("CLIP ", paper.theme.strong)
    else:
        line.put(f"{level:>4.0f} " if level > SILENT_DBFS else "  -- ")
    if columns.meter:
        share = min(1.0, 1 - level / FLOOR_DBFS) if level > FLOOR_DBFS else 0.0
        line.put(_meter(share, columns.meter, signs.meter) + " ")


def _meter(share: float, cells: int, marks: str) -> str:
    """Return a level as a bar with as many steps in a cell as the signs offer."""
    steps = round(share * cells * (len(marks) - 1))
    full, part = divmod(steps, len(marks) - 1)
    bar = marks[-1] * full + (marks[part] if part else "")
    return bar + marks[0] * (cells - len(bar))


def _put_bands(
    line: Line,
    steps: list[int],
    rings: list[RingEvent],
    weak: frozenset[int],
    per_band: int,
    paper: Paper,
) -> None:
    """Append the 31 bands; a band that rings is at least as tall as its state says.

    A calm band that the EQ sheet knows as weak carries a mark of its own.
    """
    ranks = [0] * BANDS
    for ring in rings:
        if ring.is_named and ring.band_hz in NOMINAL_HZ:
            band = NOMINAL_HZ.index(ring.band_hz)
            ranks[band] = max(ranks[band], BADNESS[ring.state])
            steps[band] = max(steps[band], STATE_STEPS[ranks[band]])
    looks = [_look(*pair) for pair in zip(ranks, steps, strict=True)]
    start = 0
    for band in range(1, BANDS + 1):
        if band == BANDS or looks[band] != looks[start]:
            cells = (_cell(paper.signs, steps[n], n in weak, per_band) for n in range(start, band))
            line.put("".join(cells), _style(paper.theme, looks[start]))
            start = band


def _look(rank: int, step: int) -> tuple[int, int]:
    """Return what decides a band's style: its ring, else quiet, there or strong."""
    return (rank, 0) if rank else (0, (step > 0) + (step >= WARM_STEPS))


def _style(theme: Theme, look: tuple[int, int]) -> Style:
    rank, warmth = look
    return theme.mark_of_state(rank) if rank else (theme.quiet, theme.base, theme.strong)[warmth]


def _cell(signs: Signs, step: int, is_weak: bool, per_band: int) -> str:
    """Return one band: as wide as there is room less a gap, a calm one as a single mark."""
    marks = per_band - 1 if step and per_band > 1 else 1
    mark = signs.weak if is_weak and not step else signs.heights[step]
    return mark * marks + " " * (per_band - marks)
