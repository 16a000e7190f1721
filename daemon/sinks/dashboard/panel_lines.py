"""Draws the large message into the rows that the layout grants it."""

from dataclasses import dataclass

from rich.cells import cell_len
from rich.style import Style

from prehowl.daemon.sinks.dashboard.frame import Line, Paper
from prehowl.daemon.sinks.dashboard.glyphs import Signs, figures, letters, spaced
from prehowl.daemon.sinks.dashboard.panel import Panel
from prehowl.daemon.sinks.dashboard.wording import cut_to, joined

MARGIN = " "
PULSE_S = 1.0
"""A howl's pointers change sides once a second: far below any rate that can harm."""


@dataclass(frozen=True, slots=True)
class Size:
    """How large the message is drawn: rows are 3 x `head` (1 if 0) and 5 x `figures`."""

    head: int
    figures: int

    @property
    def rows(self) -> int:
        """Rows needed, with two lines of words, and air where there is room for it."""
        air = 1 if self.figures > 1 else 0
        return (3 * self.head or 1) + air + 5 * self.figures + 2


SIZES = (Size(2, 3), Size(2, 2), Size(1, 2), Size(1, 1), Size(0, 1), Size(0, 0))
"""From the largest to the smallest."""


def panel_lines(panel: Panel, size: Size, paper: Paper, now_s: float) -> list[Line]:
    """Return exactly `size.rows` lines."""
    width, signs, theme = paper.width, paper.signs, paper.theme
    ground = theme.trouble if panel.rank == 4 else theme.of_state(panel.rank)
    if panel.rank == 4:
        rows = _alone(panel, size, width - 2, signs, now_s)
    else:
        rows = _head_rows(panel, size, width - 2, signs, now_s)
        rows += [""] * (size.rows - 2 - len(rows) - 5 * size.figures)
        rows += _figure_rows(panel, size, width - 2, signs) if size.figures else []
    message = cut_to(panel.sentence[0], width - 2, signs.ellipsis)
    rows.append(joined([message, *panel.sentence[1:]], width - 2))
    lines = [_line(row, width, ground if panel.rank else theme.strong) for row in rows]
    lines.append(_line(_more(panel, width - 2, signs), width, theme.base))
    return lines


def _line(text: str, width: int, style: Style) -> Line:
    return Line(width, style).put(MARGIN).put(text)


def _more(panel: Panel, width: int, signs: Signs) -> str:
    """Return the further parts; '+2 more' tells how many did not fit."""
    parts = [part for part in panel.more if part]
    line = joined([cut_to(part, width, signs.ellipsis) for part in parts[:2]], width, " ")
    for number, part in enumerate(parts[2:], 2):
        rest = f"{signs.dot}+{len(parts) - number} more"
        room = width - (cell_len(rest) if number < len(parts) - 1 else 0)
        if cell_len(line) + cell_len(signs.dot) + cell_len(part) > room:
            return cut_to(line + rest, width, signs.ellipsis)
        line += signs.dot + part
    return line


def _head_rows(panel: Panel, size: Size, width: int, signs: Signs, now_s: float) -> list[str]:
    """Return who and how bad: large if both fit large, else the name large, else both plain."""
    if not size.head:
        return [_plain_head(panel, width, signs, now_s)]
    for scale in range(size.head, 0, -1):
        left, right = letters(panel.head, scale, signs), letters(panel.state, scale, signs)
        if left is not None and right is not None and _fits(left[0], right[0], width):
            rows = [_apart(*pair, width) for pair in zip(left, right, strict=True)]
            return _centred(rows, 3 * size.head)
    rows = _cut_head(panel, width, signs) or [_plain_head(panel, width, signs, now_s)]
    return _centred(rows, 3 * size.head)


def _alone(panel: Panel, size: Size, width: int, signs: Signs, now_s: float) -> list[str]:
    """Return the head as large as the whole space allows: there is no band to show."""
    rows = size.rows - 2
    largest = Size(max(size.head, min(rows // 3, 2)) if size.head else 0, 0)
    return _centred(_head_rows(panel, largest, width, signs, now_s), rows)


def _cut_head(panel: Panel, width: int, signs: Signs) -> list[str] | None:
    """Return the state large and as much of the name as fits beside it, at least four letters."""
    right = letters(panel.state, 1, signs)
    for length in range(len(panel.head) - 1, 3, -1):
        left = letters(panel.head[:length].rstrip() + "..", 1, signs)
        if left is not None and right is not None and _fits(left[0], right[0], width):
            return [_apart(*pair, width) for pair in zip(left, right, strict=True)]
    return None


def _plain_head(panel: Panel, width: int, signs: Signs, now_s: float) -> str:
    left, right = signs.pointer if panel.rank == 3 and now_s % (2 * PULSE_S) < PULSE_S else ("", "")
    state = f"{left} {panel.state} {right}".strip()
    wide = spaced(panel.head)
    head = wide if cell_len(wide) + cell_len(state) + 3 <= width else panel.head
    return _apart(cut_to(head, width - cell_len(state) - 1, signs.ellipsis), state, width)


def _figure_rows(panel: Panel, size: Size, width: int, signs: Signs) -> list[str]:
    """Return band and cut as large as they fit; blank rows where there is no band."""
    wanted = 5 * size.figures
    if not panel.band:
        return [""] * wanted
    for scale in range(size.figures, 0, -1):
        for unit_scale, gap in *((unit, 4 * scale) for unit in range(scale, -1, -1)), (0, 2):
            rows = _band_and_cut(panel, scale, unit_scale, gap, signs)
            if max(map(len, rows)) <= width:
                return _centred(rows, wanted)
    return _centred([f"{panel.band}   {panel.cut}"], wanted)


def _band_and_cut(panel: Panel, scale: int, unit_scale: int, cells: int, signs: Signs) -> list[str]:
    """Return both quantities, `cells` apart."""
    band = _quantity(panel.band, scale, unit_scale, signs)
    if not panel.cut:
        return band
    cut = _quantity(panel.cut, scale, unit_scale, signs)
    gap = " " * cells
    return [left + gap + right for left, right in zip(band, cut, strict=True)]


def _quantity(text: str, scale: int, unit_scale: int, signs: Signs) -> list[str]:
    """Return '2.5 kHz' as large figures with a smaller unit on the same base line."""
    number, unit = text.split(" ")
    rows = figures(number, scale, signs)
    word = (letters(unit, unit_scale, signs) if unit_scale else None) or [unit]
    word = [""] * (len(rows) - len(word)) + word
    cells = max(map(len, word))
    return [
        row + " " * max(1, 2 * unit_scale) + part.ljust(cells)
        for row, part in zip(rows, word, strict=True)
    ]


def _fits(left: str, right: str, width: int) -> bool:
    return len(left) + len(right) + (3 if right else 0) <= width


def _apart(left: str, right: str, width: int) -> str:
    return left + " " * (width - cell_len(left) - cell_len(right)) + right


def _centred(rows: list[str], wanted: int) -> list[str]:
    above = (wanted - len(rows)) // 2
    return [""] * above + rows + [""] * (wanted - len(rows) - above)
