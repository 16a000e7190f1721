"""A sheet as a chart of characters: 31 faders hanging from the line, and what they do together.

68 columns wide. Bars have the resolution of half a row; a terminal without Unicode gets other
marks of the same meaning.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from prehowl.daemon.sheets.effect import sheet_response_db
from prehowl.daemon.sheets.sheet import Sheet
from prehowl.detectors.bands import exact_centres_hz

ROWS_MOST = 14
LEAST_DB = -6.0
"""The chart reaches down to here at least, so that a small cut looks small."""
GUTTER = 6
OCTAVES = ("31.5", "63", "125", "250", "500", "1k", "2k", "4k", "8k", "16k")
FIRST_OCTAVE = 2  # index of the 31.5 Hz band; an octave is three bands, six columns


@dataclass(frozen=True, slots=True)
class Marks:
    """The characters of the chart."""

    full: str
    upper: str
    lower: str
    shade: str  # the response
    other: str  # the second sheet's bars
    line: str
    edge: str


UNICODE = Marks("█", "▀", "▄", "░", "▒", "─", "┤")
ASCII = Marks("#", '"', "m", ".", "%", "-", "|")


def sheet_chart(sheet: Sheet, marks: Marks = UNICODE) -> list[str]:
    """Return the faders as bars over the shaded response of all together."""
    response = _response_of_columns(sheet)
    low = min(*sheet.faders_db, *response)
    rows = _rows(low, max(0.0, *sheet.faders_db, *response))

    def cell(column: int, top: float, bottom: float) -> str:
        shade = marks.shade if _share(response[column], top, bottom) >= 0.5 else " "
        if column % 2:
            return shade
        return _bar(sheet.faders_db[column // 2], top, bottom, marks, shade)

    legend = f"faders {marks.full}  what they do together {marks.shade}"
    return _chart(rows, cell, legend, marks)


def overlay_chart(first: Sheet, second: Sheet, marks: Marks = UNICODE) -> list[str]:
    """Return the faders of two sheets side by side, band by band."""
    both = (*first.faders_db, *second.faders_db)
    rows = _rows(min(both), max(0.0, *both))

    def cell(column: int, top: float, bottom: float) -> str:
        if column % 2 == 0:
            return _bar(first.faders_db[column // 2], top, bottom, marks, " ")
        share = _share(second.faders_db[column // 2], top, bottom)
        return marks.other if share >= 0.25 else " "

    return _chart(rows, cell, f"first {marks.full}  second {marks.other}", marks)


def _response_of_columns(sheet: Sheet) -> list[float]:
    """Return the response at each band's centre and at its upper edge, a column each."""
    centres = exact_centres_hz()
    columns = np.column_stack((centres, centres * 10**0.05)).ravel()
    found: list[float] = sheet_response_db(sheet, columns).tolist()
    return found


def _rows(low: float, high: float) -> tuple[list[float], float]:
    """Return the upper end of every row in dB, and the height of one."""
    low = min(low, LEAST_DB)
    height = next(step for step in (1.0, 2.0, 3.0, 6.0) if (high - low) / step <= ROWS_MOST)
    above, below = math.ceil(high / height - 0.25), math.ceil(-low / height - 0.25)
    return [height * (above - row) for row in range(above + below)], height


def _chart(
    rows: tuple[list[float], float],
    cell: Callable[[int, float, float], str],
    legend: str,
    marks: Marks,
) -> list[str]:
    tops, height = rows
    columns = 2 * len(exact_centres_hz())
    lines = [f"{'dB':>4}   {legend}"]
    for top in tops:
        if top == 0:
            lines.append(_gutter(0, marks) + marks.line * columns)
        bottom = top - height
        # A row is named by its end that is farther from the line: the bar that fills it is there.
        name = bottom if top <= 0 else top
        row = "".join(cell(column, top, bottom) for column in range(columns))
        lines.append(f"{_gutter(name, marks)}{row}".rstrip())
    return [*lines, _axis(OCTAVES)]


def _gutter(level_db: float, marks: Marks) -> str:
    return f"{level_db:>+4.0f} {marks.edge}" if level_db else f"{0:>4} {marks.edge}"


def _axis(names: Sequence[str]) -> str:
    line = ""
    for number, name in enumerate(names):
        at = GUTTER + 2 * (FIRST_OCTAVE + 3 * number)
        line = f"{line:<{at}}{name}"
    return f"{line} Hz"


def _share(level_db: float, top: float, bottom: float) -> float:
    """Return how much of a row a bar from 0 to a level covers, 0..1."""
    low, high = min(0.0, level_db), max(0.0, level_db)
    return max(0.0, min(high, top) - max(low, bottom)) / (top - bottom)


def _bar(level_db: float, top: float, bottom: float, marks: Marks, behind: str) -> str:
    share = _share(level_db, top, bottom)
    if share >= 0.75:
        return marks.full
    if share >= 0.25:
        return marks.upper if level_db < 0 else marks.lower
    return behind
