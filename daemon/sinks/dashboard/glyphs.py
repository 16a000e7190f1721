"""Our own signs: two sets of large letters drawn with blocks, and the marks for danger.

The marks share one idea, so that they need no colour and no key: the taller the block, the
nearer the howl. A terminal without Unicode, or a person who asks for none, gets other characters
for the same heights.
"""

import unicodedata
from dataclasses import dataclass

from rich.cells import cell_len
from rich.console import Console

from prehowl.daemon.ascii_wish import wants_ascii

# Six pixels tall; two pixels share one cell, so a word takes three rows.
LETTERS = {
    "A": ".##. #..# #..# #### #..# #..#",
    "B": "###. #..# ###. #..# #..# ###.",
    "C": ".### #... #... #... #... .###",
    "D": "###. #..# #..# #..# #..# ###.",
    "E": "#### #... ###. #... #... ####",
    "F": "#### #... ###. #... #... #...",
    "G": ".### #... #... #.## #..# .###",
    "H": "#..# #..# #### #..# #..# #..#",
    "I": "### .#. .#. .#. .#. ###",
    "J": "..## ...# ...# ...# #..# .##.",
    "K": "#..# #.#. ##.. #.#. #..# #..#",
    "L": "#... #... #... #... #... ####",
    "M": "#...# ##.## #.#.# #...# #...# #...#",
    "N": "#...# ##..# #.#.# #..## #...# #...#",
    "O": ".##. #..# #..# #..# #..# .##.",
    "P": "###. #..# #..# ###. #... #...",
    "Q": ".##. #..# #..# #..# #.#. .#.#",
    "R": "###. #..# #..# ###. #.#. #..#",
    "S": ".### #... .##. ...# ...# ###.",
    "T": "##### ..#.. ..#.. ..#.. ..#.. ..#..",
    "U": "#..# #..# #..# #..# #..# .##.",
    "V": "#...# #...# #...# .#.#. .#.#. ..#..",
    "W": "#...# #...# #...# #.#.# ##.## #...#",
    "X": "#...# .#.#. ..#.. ..#.. .#.#. #...#",
    "Y": "#...# .#.#. ..#.. ..#.. ..#.. ..#..",
    "Z": "#### ...# ..#. .#.. #... ####",
    "0": ".##. #..# #..# #..# #..# .##.",
    "1": ".#. ##. .#. .#. .#. ###",
    "2": "###. ...# ..#. .#.. #... ####",
    "3": "###. ...# .##. ...# ...# ###.",
    "4": "#..# #..# #### ...# ...# ...#",
    "5": "#### #... ###. ...# ...# ###.",
    "6": ".##. #... ###. #..# #..# .##.",
    "7": "#### ...# ..#. ..#. .#.. .#..",
    "8": ".##. #..# .##. #..# #..# .##.",
    "9": ".##. #..# #..# .### ...# .##.",
    "k": "#... #..# #.#. ##.. #.#. #..#",
    "z": ".... .... #### ..#. .#.. ####",
    "d": "...# ...# .### #..# #..# .###",
    "-": "... ... ### ... ... ...",
    "+": "... .#. ### .#. ... ...",
    ".": ". . . . . #",
    "'": "# # . . . .",
    ":": ". # . . # .",
    "/": "...# ...# ..#. .#.. #... #...",
    "&": ".##.. #..#. .##.. #.#.# #..#. .##.#",
    "(": ".# #. #. #. #. .#",
    ")": "#. .# .# .# .# #.",
    "#": ".#.#. ##### .#.#. .#.#. ##### .#.#.",
    "_": ".... .... .... .... .... ####",
    " ": ".. .. .. .. .. ..",
}  # fmt: skip

# Five whole cells tall with strokes two cells wide: for the figures that must carry two metres.
FIGURES = {
    "0": ".####. ##..## ##..## ##..## .####.",
    "1": ".##. ###. .##. .##. ####",
    "2": "#####. ....## .####. ##.... ######",
    "3": "#####. ....## ..###. ....## #####.",
    "4": "##..## ##..## ###### ....## ....##",
    "5": "###### ##.... #####. ....## #####.",
    "6": ".####. ##.... #####. ##..## .####.",
    "7": "###### ....## ...##. ..##.. ..##..",
    "8": ".####. ##..## .####. ##..## .####.",
    "9": ".####. ##..## .##### ....## .####.",
    ".": ".. .. .. .. ##",
    "-": ".... .... #### .... ....",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Signs:
    """The characters that one kind of terminal can show."""

    heights: str  # nine marks for suspicion 0, 1/8 .. 1
    weak: str  # in place of the first one, in a band that the EQ sheet knows as weak
    states: tuple[str, str, str, str]  # calm, suspect, ringing, howling
    meter: str  # one cell of a level: empty, then ever fuller
    full: str  # a whole block of a figure
    faded: str  # the same for what is over
    top: str
    bottom: str
    ellipsis: str
    pointer: tuple[str, str]  # left and right of an alarm, point at it
    dot: str  # between parts of a line

    @property
    def is_ascii(self) -> bool:
        """Tell whether large letters (half blocks) are out of reach."""
        return self.full.isascii()


UNICODE = Signs(
    "·▁▂▃▄▅▆▇█", "v", ("·", "▂", "▅", "█"), "·╸━", "█", "▒", "▀", "▄", "…", ("▶", "◀"), " · "
)
ASCII = Signs(
    ".,:;-=+*#", "v", (".", "?", "!", "#"), ".=", "#", ":", '"', "m", "..", (">", "<"), " | "
)


def signs_for(console: Console) -> Signs:
    """Return what a terminal can show, or what the person at it asked for by the locale."""
    return ASCII if wants_ascii() or console.options.ascii_only else UNICODE


def letters(text: str, scale: int, signs: Signs, padding: int = 0) -> list[str] | None:
    """Return a word in large letters, three rows times `scale`; None if a letter is not drawn.

    There are capitals, and the small letters of units.

    `padding` puts as many half rows of air above and below.

    Without Unicode the rows would need half blocks that are not there: None as well.
    """
    if signs.is_ascii or not all(mark in LETTERS for mark in text):
        return None
    if not text:
        return [""] * (3 * scale + padding)
    pixels = _rows([LETTERS[mark] for mark in text])
    wide = ["".join(dot * scale for dot in row) for row in pixels for _ in range(scale)]
    air = ["." * len(wide[0])] * padding
    wide = air + wide + air
    return [_halves(*pair, signs) for pair in zip(wide[::2], wide[1::2], strict=True)]


def figures(text: str, scale: int, mark: str) -> list[str]:
    """Return a number in large figures made of `mark`, five rows times `scale`."""
    rows = _rows([FIGURES[mark] for mark in text])
    blocks = ["".join((mark if dot == "#" else " ") * scale for dot in row) for row in rows]
    return [row for row in blocks for _ in range(scale)]


def capitals(text: str) -> str:
    """Return a name in capitals without accents: the large letters have none."""
    flat = unicodedata.normalize("NFKD", text.upper())
    return "".join(mark for mark in flat if not unicodedata.combining(mark))


def spaced(text: str) -> str:
    """Return a plain word in capitals with gaps: the largest that is left without blocks."""
    words = [
        " ".join(word) if cell_len(word) == len(word) else word for word in text.upper().split()
    ]
    return "   ".join(words)


def _rows(shapes: list[str]) -> list[str]:
    return [".".join(row) for row in zip(*(shape.split(" ") for shape in shapes), strict=True)]


def _halves(upper: str, lower: str, signs: Signs) -> str:
    marks = {"..": " ", "#.": signs.top, ".#": signs.bottom, "##": signs.full}
    return "".join(marks[a + b] for a, b in zip(upper, lower, strict=True))
