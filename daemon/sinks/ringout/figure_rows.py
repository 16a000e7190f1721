"""Fits figures and words into the rows and columns that the layout grants them."""

from collections.abc import Sequence

from rich.cells import cell_len

from prehowl.daemon.sinks.dashboard.glyphs import Signs
from prehowl.daemon.sinks.ringout.bigtype import (
    FEWEST_LETTER_ROWS,
    FEWEST_ROWS,
    Size,
    cells_of,
    in_air,
    is_drawn,
    large_word,
    quantity,
    word_cells,
)

TALLEST = 7.0
"""Rows for each column of the shapes; beyond it a figure is too thin to be read."""
WIDEST = 4.0
BAND_SHARE = 0.54
"""Of the rows, for the band, where it stands above its cut."""
GAP = "   "

Fader = tuple[str, ...]
"""What is drawn of one fader: ('2.5 kHz', '-3 dB')."""


def figure_rows(
    faders: Sequence[Fader],
    rows: int,
    width: int,
    signs: Signs,
    *,
    chosen: int | None = None,
    is_faded: bool = False,
) -> list[str]:
    """Return exactly `rows` lines, each at most `width` cells, with the figures as large as fits.

    Parameters
    ----------
    faders : sequence of tuples of str
        The quantities of each fader, such as ('2.5 kHz', '-3 dB'). Two faders stand on a line
        each, in one size; a single one is laid out in whichever way makes its smaller part larger.
    rows, width : int
        Room.
    signs : Signs
        Characters that the terminal can show.
    chosen : int or None
        Fader that a pointer marks.
    is_faded : bool
        Drawn faded: nothing is to be done about it now.
    """
    room = max(0, width if chosen is None else width - 2)
    fader = faders[0]
    lines = _largest(fader, rows, room, signs) if len(faders) == 1 else None
    lines = lines or _sized(faders, rows, room, signs)
    if lines is None:
        blocks = [[GAP.join(fader)] for fader in faders]
    else:
        cells = _columns(lines, signs)
        blocks = [_line(parts, size, cells, signs, is_faded) for parts, size in lines]
    blocks = [[row[:room] for row in block] for block in blocks]
    marked = [_marked(block, chosen, n, signs) for n, block in enumerate(blocks)]
    return _spread(marked, rows)


def head_rows(left: str, right: str, rows: int, width: int, signs: Signs) -> list[str]:
    """Return `rows` lines with a word left and one right, large where they fit, air around them.

    The left word matters more: the right one gives way.
    """
    size = rows - 1
    wide = size / FEWEST_LETTER_ROWS
    word = large_word(left, size, wide, signs)
    if word is None or len(word[0]) + len(GAP) + len(right) > width:
        return _centred([_apart(left, right, width)], rows)
    for smaller in (size, FEWEST_LETTER_ROWS):
        other = large_word(right, smaller, smaller / FEWEST_LETTER_ROWS, signs)
        if other is not None and len(word[0]) + wide * len(GAP) + len(other[0]) <= width:
            break
    else:
        other = [right]
    pairs = zip(in_air(word, signs), _aired(other, rows, signs), strict=True)
    return [_apart(*pair, width) for pair in pairs]


def word_rows(words: Sequence[str], rows: int, width: int, signs: Signs) -> list[str]:
    """Return exactly `rows` lines with the words large, one below the other, all in one size.

    They are left out where not even the smallest size fits: the same stands below in plain words.
    """
    free = (rows - len(words)) // max(1, len(words))
    for wide in range(2 * free, 1, -1):
        size = min(free, int(wide / 2 * 5))
        if all(is_drawn(w, size, signs) and word_cells(w, wide / 2) <= width for w in words):
            drawn = [large_word(word, size, wide / 2, signs) for word in words]
            return _spread([word for word in drawn if word is not None], rows)
    return [""] * rows


Lines = list[tuple[Fader, Size]]


def _largest(fader: Fader, rows: int, width: int, signs: Signs) -> Lines | None:
    """Return one fader side by side or one above the other, whichever is larger."""
    band = round((rows - 1) * BAND_SHARE)
    ways = [_sized([fader], rows, width, signs)]
    if len(fader) > 1:
        shares = (band, rows - 1 - band)
        parts = [_sized([(part,)], n, width, signs) for part, n in zip(fader, shares, strict=True)]
        ways.append([line for part in parts for line in part] if None not in parts else None)  # type: ignore[union-attr]
    known = [way for way in ways if way is not None]
    return max(
        known, key=lambda way: min((size.unit > 0, size.area) for _, size in way), default=None
    )


def _sized(lines: Sequence[Fader], rows: int, width: int, signs: Signs) -> Lines | None:
    """Return the lines in the largest common size; None where not even the smallest fits."""
    share = (rows - len(lines) + 1) // len(lines)
    for size in _sizes(share):
        sized = [(line, size) for line in lines]
        if sum(_columns(sized, signs)) + len(GAP) * (len(lines[0]) - 1) <= width:
            return sized
    return None


def _sizes(most_rows: int) -> list[Size]:
    """Return sizes from the largest figure to the smallest, those with a large unit before others.

    A number whose unit cannot be read at a distance could be a range, or another band.
    """
    sizes = [
        Size(rows, wide / 2, unit)
        for rows in range(FEWEST_ROWS, most_rows + 1)
        for wide in range(2, int(2 * rows / WIDEST) + 1)
        if rows <= TALLEST * wide / 2
        for unit in {*(max(FEWEST_LETTER_ROWS, rows // part) for part in (2, 4)), 0}
    ]
    return sorted(
        sizes, key=lambda size: (size.unit > 0, size.area, size.rows, size.unit), reverse=True
    )


def _columns(lines: Lines, signs: Signs) -> list[int]:
    """Return the width of each column of quantities."""
    cells = [[cells_of(part, size, signs) for part in parts] for parts, size in lines]
    return [max(column) for column in zip(*cells, strict=True)]


def _line(parts: Fader, size: Size, cells: list[int], signs: Signs, is_faded: bool) -> list[str]:
    """Return the quantities of one line side by side, in columns."""
    drawn = [quantity(part, size, signs, is_faded=is_faded) for part in parts]
    return [
        GAP.join(part.ljust(wide) for part, wide in zip(row, cells, strict=True)).rstrip()
        for row in zip(*drawn, strict=True)
    ]


def _marked(block: list[str], chosen: int | None, number: int, signs: Signs) -> list[str]:
    """Return the block with room for the pointer, and the pointer where it is chosen."""
    if chosen is None:
        return block
    mark = signs.pointer[0] if chosen == number else " "
    return [f"{mark if row == len(block) // 2 else ' '} {text}" for row, text in enumerate(block)]


def _spread(blocks: list[list[str]], rows: int) -> list[str]:
    """Return the blocks with a line of air between them, `rows` lines in all."""
    lines: list[str] = []
    for block in blocks:
        lines += ([""] if lines else []) + block
    return _centred(lines[:rows], rows)


def _aired(word: list[str], rows: int, signs: Signs) -> list[str]:
    return _centred(in_air(word, signs) if len(word) > 1 else word, rows)


def _apart(left: str, right: str, width: int) -> str:
    gap = max(1, width - cell_len(left) - cell_len(right))
    return left + " " * gap + right if right else left


def _centred(lines: list[str], rows: int) -> list[str]:
    lines = lines[:rows]
    above = (rows - len(lines)) // 2
    return [""] * above + lines + [""] * (rows - len(lines) - above)
