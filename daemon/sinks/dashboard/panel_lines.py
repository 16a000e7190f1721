"""Draws the large message into the rows that the layout grants it."""

from dataclasses import dataclass

from rich.cells import cell_len
from rich.style import Style

from prehowl.daemon.sinks.dashboard.frame import Line, Paper
from prehowl.daemon.sinks.dashboard.glyphs import Signs, capitals, figures, letters, spaced
from prehowl.daemon.sinks.dashboard.panel import AT_CAP, Panel
from prehowl.daemon.sinks.dashboard.wording import cut_to, joined

MARGIN = " "
PULSE_S = 1.0
"""A howl's pointers change sides once a second: far below any rate that can harm."""


@dataclass(frozen=True, slots=True)
class Size:
    """How large the message is drawn: rows are 3 x `head` + 1 and 5 x `figures`."""

    head: int
    figures: int

    @property
    def rows(self) -> int:
        """Rows needed, with two lines of words."""
        return self.head_rows + 5 * self.figures + 2

    @property
    def head_rows(self) -> int:
        """Rows of the head; a large one has half a row of air above and below."""
        return 3 * self.head + 1


SIZES = (Size(2, 3), Size(2, 2), Size(1, 2), Size(1, 1), Size(0, 1), Size(0, 0))
"""From the largest to the smallest."""


def panel_lines(panel: Panel, size: Size, paper: Paper, now_s: float) -> list[Line]:
    """Return exactly `size.rows` lines."""
    width, signs, theme = paper.width, paper.signs, paper.theme
    ground = theme.trouble if panel.rank == 4 else theme.of_state(panel.rank)
    if not panel.band:
        rows = _alone(panel, size, width - 2, signs, now_s)
    else:
        rows = _head_rows(panel, size, width - 2, signs, now_s)
        rows += _figure_rows(panel, size, width - 2, signs) if size.figures else []
    message = panel.message(width - 2, signs.ellipsis)
    rows.append(joined([message, *panel.sentence[1:]], width - 2))
    lines = [_line(row, width, ground if panel.rank else theme.strong) for row in rows]
    lines.append(_line(_more(panel, width - 2, signs), width, theme.base))
    return lines


def _line(text: str, width: int, style: Style) -> Line:
    return Line(width, style).put(MARGIN).put(text)


def _more(panel: Panel, width: int, signs: Signs) -> str:
    """Return the further parts; '+2 more' tells how many did not fit."""
    parts = [part for part in panel.more if part.text]
    line = parts[0].within(width, signs.ellipsis) if parts else ""
    if parts[1:]:
        line = f"{line} {parts[1].within(width - cell_len(line) - 1, signs.ellipsis)}"
    for number, part in enumerate((part.text for part in parts[2:]), 2):
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
        left, right = (
            letters(capitals(panel.head), scale, signs, 1),
            letters(panel.state, scale, signs, 1),
        )
        if left is not None and right is not None and _fits(left[0], right[0], width):
            rows = [_apart(*pair, width) for pair in zip(left, right, strict=True)]
            return _centred(rows, size.head_rows)
    large = _large_name(panel, width, signs) or _cut_head(panel, width, signs)
    return _centred(large or [_plain_head(panel, width, signs, now_s)], size.head_rows)


def _alone(panel: Panel, size: Size, width: int, signs: Signs, now_s: float) -> list[str]:
    """Return the head in the middle of the whole space: there is no band to show.

    A fault of the watch is drawn larger than usual, calm is not.
    """
    rows = size.rows - 2
    most = 2 if panel.rank == 4 else max(1, size.head)
    largest = Size(min((rows - 1) // 3, most), 0)
    return _centred(_head_rows(panel, largest, width, signs, now_s), rows)


def _large_name(panel: Panel, width: int, signs: Signs) -> list[str] | None:
    """Return the whole name large and the state plain beside it; its words stand below as well."""
    left = letters(capitals(panel.head), 1, signs, 1)
    if left is None or len(left[0]) + 3 + len(panel.state) > width:
        return None
    wide = spaced(panel.state)
    state = wide if len(left[0]) + 3 + len(wide) <= width else panel.state
    return [_apart(row, state if n == 2 else "", width) for n, row in enumerate(left)]


def _cut_head(panel: Panel, width: int, signs: Signs) -> list[str] | None:
    """Return the state large and as much of the name as fits beside it, at least four letters."""
    right = letters(panel.state, 1, signs, 1)
    head = capitals(panel.head)
    for length in range(len(head) - 1, 3, -1):
        left = letters(head[:length].rstrip() + "..", 1, signs, 1)
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
    """Return band and cut as large as they fit."""
    wanted = 5 * size.figures
    for scale in range(size.figures, 0, -1):
        for unit_scale, gap in *((unit, 6 * scale) for unit in range(scale, -1, -1)), (0, 2):
            rows = _band_and_cut(panel, scale, unit_scale, gap, signs)
            if max(map(len, rows)) <= width:
                return _centred(rows, wanted)
    mark = signs.full if panel.rank else signs.faded
    band = _quantity(panel.band, 1, 0, signs, mark)
    band[-1] += f"  {panel.cut}"
    if max(map(len, band)) <= width:
        return _centred(band, wanted)
    return _centred([f"{panel.band}   {panel.cut}"], wanted)


def _band_and_cut(panel: Panel, scale: int, unit_scale: int, cells: int, signs: Signs) -> list[str]:
    """Return both quantities, `cells` apart; what is over is drawn faded."""
    mark = signs.full if panel.rank else signs.faded
    band = _quantity(panel.band, scale, unit_scale, signs, mark)
    if not panel.cut:
        return band
    if panel.cut == AT_CAP:
        cut = _word(panel.cut, max(1, unit_scale), len(band), signs)
    else:
        cut = _quantity(panel.cut, scale, unit_scale, signs, mark)
    gap = " " * cells
    return [left + gap + right for left, right in zip(band, cut, strict=True)]


def _quantity(text: str, scale: int, unit_scale: int, signs: Signs, mark: str) -> list[str]:
    """Return '2.5 kHz' as large figures made of `mark`, with a smaller unit on the base line."""
    number, unit = text.split(" ")
    rows = figures(number, scale, mark)
    word = (letters(unit, unit_scale, signs) if unit_scale else None) or [unit]
    word = [""] * (len(rows) - len(word)) + word
    cells = max(map(len, word))
    return [
        row + " " * max(1, 2 * unit_scale) + part.ljust(cells)
        for row, part in zip(rows, word, strict=True)
    ]


def _word(text: str, scale: int, height: int, signs: Signs) -> list[str]:
    """Return a word in large letters on the base line of figures `height` rows tall."""
    rows = letters(text, scale, signs) or [text]
    return [" " * len(rows[0])] * (height - len(rows)) + rows


def _fits(left: str, right: str, width: int) -> bool:
    return len(left) + len(right) + (3 if right else 0) <= width


def _apart(left: str, right: str, width: int) -> str:
    return left + " " * (width - cell_len(left) - cell_len(right)) + right


def _centred(rows: list[str], wanted: int) -> list[str]:
    above = (wanted - len(rows)) // 2
    return [""] * above + rows + [""] * (wanted - len(rows) - above)
