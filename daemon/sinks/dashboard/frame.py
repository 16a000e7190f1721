"""One screenful of styled lines, exactly as wide and as high as asked.

Segments are made by hand: a frame of 60 lines costs a millisecond, where tables of the same size
cost ten times as much and hold the interpreter against the audio loop all the while.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from rich.cells import cell_len, set_cell_size
from rich.console import Console, ConsoleOptions
from rich.segment import Segment
from rich.style import Style

from prehowl.daemon.sinks.dashboard.glyphs import Signs
from prehowl.daemon.sinks.dashboard.themes import Theme
from prehowl.daemon.sinks.dashboard.wording import fitted, to_ascii


class Line:
    """One line that takes text from left to right and never grows beyond its width."""

    __slots__ = ("_base", "_left", "_segments")

    def __init__(self, width: int, base: Style) -> None:
        self._base = base
        self._left = width
        self._segments: list[Segment] = []

    @property
    def left(self) -> int:
        """Cells that are still free."""
        return self._left

    def put(self, text: str, style: Style | None = None) -> "Line":
        """Append text; what does not fit is cut off."""
        cells = len(text) if text.isascii() else cell_len(text)
        if cells > self._left:
            text, cells = set_cell_size(text, self._left), self._left
        if cells:
            self._segments.append(Segment(text, style or self._base))
            self._left -= cells
        return self

    def put_right(self, text: str, style: Style | None = None) -> "Line":
        """Append text flush with the right edge; it is left out if it does not fit."""
        gap = self._left - cell_len(text)
        return self.put(" " * gap).put(text, style) if gap >= 0 else self

    def segments(self) -> list[Segment]:
        """Return the line, filled up with the base style to its full width."""
        if self._left:
            self._segments.append(Segment(" " * self._left, self._base))
            self._left = 0
        return self._segments


@dataclass(frozen=True, slots=True)
class Paper:
    """What every part of the screen draws on: a width, a set of signs and a theme."""

    width: int
    signs: Signs
    theme: Theme

    def line(self, style: Style | None = None) -> Line:
        """Return an empty line; `style` is its ground, the theme's base by default."""
        return Line(self.width, style or self.theme.base)


@dataclass(frozen=True, slots=True)
class Frame:
    """A rich renderable of `height` lines, each `width` cells wide."""

    width: int
    height: int
    lines: tuple[list[Segment], ...]

    @classmethod
    def of(cls, paper: Paper, height: int, lines: list[Line]) -> "Frame":
        """Crop to the height, or fill it with empty lines."""
        lines = lines[:height]
        lines += [paper.line() for _ in range(height - len(lines))]
        rows = [line.segments() for line in lines]
        if paper.signs.is_ascii:
            rows = [[_in_ascii(part) for part in row] for row in rows]
        return cls(paper.width, height, tuple(rows))

    def text(self) -> str:
        """Return the words without their looks."""
        return "\n".join("".join(part.text for part in line) for line in self.lines)

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> Iterator[Segment]:
        """Hand the segments over; no newline after the last, or the screen would scroll."""
        for number, line in enumerate(self.lines):
            if number:
                yield Segment.line()
            yield from line


def _in_ascii(part: Segment) -> Segment:
    """Return the segment in ASCII and as wide as before; names may hold anything."""
    if part.text.isascii():
        return part
    return Segment(fitted(to_ascii(part.text), cell_len(part.text), ""), part.style)
