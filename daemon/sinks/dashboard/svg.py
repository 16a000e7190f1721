"""A frame as an SVG picture: cells in exact places, block characters as rectangles.

Fonts draw blocks with seams between the lines and differ in width; a picture for documentation
should look the same everywhere and fetch nothing from the network.
"""

import re
from collections.abc import Iterator
from xml.sax.saxutils import escape

from rich.cells import cell_len
from rich.segment import Segment
from rich.style import Style

from prehowl.daemon.sinks.dashboard.frame import Frame
from prehowl.daemon.sinks.dashboard.themes import Theme

CELL_WIDTH, CELL_HEIGHT, BASELINE, FONT_SIZE = 10, 20, 15, 16
BORDER = 10
_EIGHTHS = {mark: (8 - n, n) for n, mark in enumerate(" ▁▂▃▄▅▆▇█") if n} | {
    "▀": (0, 4),
    "▒": (0, 8),
}
"""First eighth from the top and number of eighths that a block fills."""


def frame_svg(frame: Frame, theme: Theme) -> str:
    """Return the frame as one SVG document."""
    width = frame.width * CELL_WIDTH + 2 * BORDER
    height = frame.height * CELL_HEIGHT + 2 * BORDER
    _, ground = _inks(theme.base)
    body = "\n".join(mark for row, line in enumerate(frame.lines) for mark in _line(row, line))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" '
        f'font-family="DejaVu Sans Mono, monospace" font-size="{FONT_SIZE}">\n'
        f'<rect width="{width}" height="{height}" fill="{ground}" stroke="#808080"/>\n'
        f"{body}\n</svg>\n"
    )


def _line(row: int, line: list[Segment]) -> Iterator[str]:
    column = 0
    top = BORDER + row * CELL_HEIGHT
    for part in line:
        ink, ground = _inks(part.style)
        cells = cell_len(part.text)
        yield _rect(column, top, cells, CELL_HEIGHT, ground)
        bold = ' font-weight="bold"' if part.style is not None and part.style.bold else ""
        for run in re.finditer(r"[▀▁-█▒]+|[^\s▀▁-█▒]+", part.text):
            at = column + cell_len(part.text[: run.start()])
            yield from _run(run.group(), at, top, ink, bold)
        column += cells


def _run(text: str, column: int, top: int, ink: str, bold: str) -> Iterator[str]:
    if text[0] in _EIGHTHS:
        for number, mark in enumerate(text):
            first, count = _EIGHTHS[mark]
            eighth = CELL_HEIGHT / 8
            strength = 0.5 if mark == "▒" else 1
            at = column + number
            yield _rect(at, top + first * eighth, 1, count * eighth, ink, strength)
        return
    x, y = BORDER + column * CELL_WIDTH, top + BASELINE
    length = cell_len(text) * CELL_WIDTH
    yield (
        f'<text x="{x}" y="{y}" fill="{ink}" textLength="{length}" '
        f'lengthAdjust="spacingAndGlyphs"{bold}>{escape(text)}</text>'
    )


def _rect(
    column: int, top: float, cells: int, height: float, fill: str, strength: float = 1
) -> str:
    x, width = BORDER + column * CELL_WIDTH, cells * CELL_WIDTH
    return (
        f'<rect x="{x}" y="{top:g}" width="{width}" height="{height:g}" fill="{fill}" '
        f'fill-opacity="{strength:g}" shape-rendering="crispEdges"/>'
    )


def _inks(style: Style | None) -> tuple[str, str]:
    """Return the colours of letters and ground; black on white where the style names none."""
    ink, ground = "#000000", "#ffffff"
    if style is not None and style.color is not None:
        ink = style.color.get_truecolor().hex
    if style is not None and style.bgcolor is not None:
        ground = style.bgcolor.get_truecolor().hex
    return (ground, ink) if style is not None and style.reverse else (ink, ground)
