"""Figures and words for three metres and full sun: our own shapes, stretched to any size.

The dashboard's figures grow in whole steps of five rows, which wastes most of a small screen. Here
each shape fills the rows and columns that there are: strokes stay at least a row and two columns
thick, and where the terminal has half blocks they are placed to half a row.
"""

from dataclasses import dataclass

from prehowl.daemon.sinks.dashboard.glyphs import FIGURES, LETTERS, Signs

FEWEST_ROWS = 5
"""Below five rows two strokes of a figure would fall together."""
FEWEST_LETTER_ROWS = 3
FIGURE_GAP = 1.6
"""Columns between figures for each column of the shapes: with one, the point in 2.5 drowns."""
_LETTER_PIXELS = 6


@dataclass(frozen=True, slots=True)
class Size:
    """How large a quantity is drawn.

    Attributes
    ----------
    rows : int
        Height in lines, at least `FEWEST_ROWS`.
    wide : float
        Columns for each column of the shapes, at least 1.
    unit : int
        Rows of the unit: `FEWEST_LETTER_ROWS` or more are large letters, 0 is plain text.
    """

    rows: int
    wide: float
    unit: int

    @property
    def area(self) -> float:
        """Cells of one figure: what decides between two arrangements."""
        return self.rows * self.wide


def quantity(text: str, size: Size, signs: Signs, *, is_faded: bool = False) -> list[str]:
    """Return '2.5 kHz' or '-3 dB' as `size.rows` lines of equal width, the unit on the base line.

    Parameters
    ----------
    text : str
        A number of 0-9, '.' and '-', a space, a unit.
    size : Size
        Rows and columns.
    signs : Signs
        Characters that the terminal can show.
    is_faded : bool
        Drawn in the shade that stands for what is over or waits; the unit is plain then, because
        shade has no half blocks.
    """
    number, unit = text.split(" ")
    gap = round(FIGURE_GAP * size.wide)
    left = _drawn(number, FIGURES, size.rows, size.wide, gap, _marks(signs, is_faded))
    wide = size.unit / FEWEST_LETTER_ROWS
    word = None if is_faded else large_word(unit, size.unit, wide, signs)
    right = word or [unit]
    right = [" " * len(right[0])] * (len(left) - len(right)) + right
    air = " " * (2 if word else 1)
    return [f"{figure}{air}{part}" for figure, part in zip(left, right, strict=True)]


def cells_of(text: str, size: Size, signs: Signs) -> int:
    """Return how wide a quantity is, without drawing it."""
    number, unit = text.split(" ")
    figures = _cells(number, FIGURES, size.wide, round(FIGURE_GAP * size.wide))
    if not is_drawn(unit, size.unit, signs):
        return figures + 1 + len(unit)
    return figures + 2 + word_cells(unit, size.unit / FEWEST_LETTER_ROWS)


def large_word(text: str, rows: int, wide: float, signs: Signs) -> list[str] | None:
    """Return a word of capitals as `rows` lines; None where it cannot be drawn.

    That is where a letter has no shape, and where `rows` is too few: three with half blocks, six
    without.
    """
    if not is_drawn(text, rows, signs):
        return None
    wide = max(1.0, wide)
    return _drawn(text, LETTERS, rows, wide, round(wide), _marks(signs, False))


def word_cells(text: str, wide: float) -> int:
    """Return how wide a word is, without drawing it; every letter must have a shape."""
    return _cells(text, LETTERS, max(1.0, wide), round(max(1.0, wide)))


def in_air(word: list[str], signs: Signs) -> list[str]:
    """Return a word one line higher, moved down by half a line: air above and below on a ground.

    Without half blocks the line is added below.
    """
    if signs.is_ascii:
        return [*word, " " * len(word[0])]
    upper = [[mark in (signs.full, signs.top) for mark in row] for row in word]
    lower = [[mark in (signs.full, signs.bottom) for mark in row] for row in word]
    none = [[False] * len(word[0])]
    pairs = zip(none + lower, upper + none, strict=True)
    marks = _marks(signs, False)
    return ["".join(marks[a, b] for a, b in zip(*pair, strict=True)) for pair in pairs]


def is_drawn(text: str, rows: int, signs: Signs) -> bool:
    """Tell whether `large_word` can draw a word so high."""
    pixels = rows * (1 if signs.is_ascii else 2)
    return bool(text) and pixels >= _LETTER_PIXELS and all(mark in LETTERS for mark in text)


def _cells(text: str, shapes: dict[str, str], wide: float, gap: int) -> int:
    widths = [max(1, round(shapes[mark].index(" ") * wide)) for mark in text]
    return sum(widths) + gap * (len(text) - 1)


Marks = dict[tuple[bool, bool], str]


def _marks(signs: Signs, is_faded: bool) -> Marks:
    """Return the character of a cell from its upper and its lower half."""
    whole = signs.faded if is_faded else signs.full
    if signs.is_ascii or is_faded:
        return {(False, False): " ", (True, True): whole}
    return {
        (False, False): " ",
        (True, False): signs.top,
        (False, True): signs.bottom,
        (True, True): whole,
    }


def _drawn(
    text: str, shapes: dict[str, str], rows: int, wide: float, gap: int, marks: Marks
) -> list[str]:
    """Return the shapes side by side, `gap` columns between them."""
    halves = 2 if len(marks) > 2 else 1
    drawn = [_stretched(shapes[mark].split(" "), rows * halves, wide) for mark in text]
    air = [False] * gap
    dots = [
        [dot for n, part in enumerate(row) for dot in (air + part if n else part)]
        for row in zip(*drawn, strict=True)
    ]
    return [
        "".join(marks[pair] for pair in zip(upper, lower, strict=True))
        for upper, lower in zip(dots[::halves], dots[halves - 1 :: halves], strict=True)
    ]


def _stretched(shape: list[str], rows: int, wide: float) -> list[list[bool]]:
    """Return a shape of '#' and '.' in other measures, each cell from the nearest of the shape."""
    columns = max(1, round(len(shape[0]) * wide))
    across = [int((column + 0.5) * len(shape[0]) / columns) for column in range(columns)]
    down = [int((row + 0.5) * len(shape) / rows) for row in range(rows)]
    return [[shape[y][x] == "#" for x in across] for y in down]
