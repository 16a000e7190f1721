"""Every channel at a glance in the strip, and the head of the table of channels.

The order of channels never changes, so that a hand learns where to look. A channel in trouble on
another page stands out in the strip, which always shows all channels.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from prehowl.daemon.alerts_now import BADNESS
from prehowl.daemon.events import RingEvent
from prehowl.daemon.sinks.dashboard.frame import Line, Paper
from prehowl.daemon.sinks.dashboard.model import View
from prehowl.daemon.sinks.dashboard.wording import fitted
from prehowl.daemon.sinks.words import counted
from prehowl.detectors.bands import NOMINAL_HZ

BANDS = len(NOMINAL_HZ)


@dataclass(frozen=True, slots=True)
class Columns:
    """Widths of the columns in cells; 0 leaves a column out."""

    number: int
    name: int
    meter: int
    per_band: int

    @property
    def bands_at(self) -> int:
        """First cell of the bands."""
        return 1 + self.number + 1 + self.name + 1 + 5 + (self.meter + 1 if self.meter else 0)

    @classmethod
    def for_width(cls, width: int, numbers: tuple[int, ...]) -> "Columns":
        """Choose the columns that suit a width."""
        number = max(2, len(str(max(numbers, default=0))))
        steps = ((190, 22, 12, 3), (116, 15, 8, 2), (78, 10, 3, 1), (62, 8, 0, 1), (0, 10, 0, 0))
        name, meter, per_band = next(step[1:] for step in steps if width >= step[0])
        return cls(number, name, meter, per_band)


def rings_by_channel(view: View) -> dict[int, list[RingEvent]]:
    """Return the living rings of each channel number, worst first."""
    rings: dict[int, list[RingEvent]] = {}
    for ring in view.rings:
        rings.setdefault(ring.channel, []).append(ring)
    return rings


def rank_of(rings: Sequence[RingEvent]) -> int:
    """Return how bad a channel is, 0 to 3; one that only hears another's howl is calm."""
    return max((BADNESS[ring.state] for ring in rings if ring.is_named), default=0)


def strip_height(channels: int, width: int, digits: int) -> int:
    """Return how many lines a strip with every channel takes."""
    return -(-channels // _in_a_row(width, digits))


def _in_a_row(width: int, digits: int) -> int:
    """Return how many channels one line of the strip holds: whole banks of eight if possible."""
    most = max(1, width // (digits + 2))
    return most - most % 8 if most > 8 else most


def strip_lines(view: View, height: int, paper: Paper) -> list[Line]:
    """Return all channels as number and state; only those in trouble where space is short."""
    digits = Columns.for_width(paper.width, view.numbers).number
    in_a_row = _in_a_row(paper.width, digits)
    rings = rings_by_channel(view)
    numbers = list(view.numbers)
    if strip_height(len(numbers), paper.width, digits) > height:
        numbers = [number for number in numbers if rank_of(rings.get(number, ()))]
    lines = [paper.line() for _ in range(height)]
    if not numbers:
        lines[0].put(f" all {len(view.numbers)} channels calm")
    cells = min(paper.width // in_a_row, digits + 4)
    for place, number in enumerate(numbers[: height * in_a_row]):
        rank = rank_of(rings.get(number, ()))
        mark = paper.signs.pointer[0] if rank >= 2 else " "
        line = lines[place // in_a_row]
        line.put(f"{mark}{number:>{digits}}", paper.theme.of_state(rank))
        line.put(paper.signs.states[rank], paper.theme.mark_of_state(rank))
        line.put(" " * (cells - digits - 2))
    return lines


def axis_line(view: View, first: int, shown: int, paper: Paper) -> Line:
    """Return the head of the table: which channels, and the bands' frequencies."""
    columns = Columns.for_width(paper.width, view.numbers)
    total = len(view.numbers)
    part = (
        f" {first + 1}-{first + shown} of {total}"
        if shown < total
        else f" {counted(total, 'channel')}"
    )
    line = paper.line(paper.theme.quiet)
    if not columns.per_band:
        return line.put(part)
    return line.put(fitted(part, columns.bands_at - 5)).put("dBFS ").put(_axis(columns.per_band))


def _axis(per_band: int) -> str:
    """Return labels under which their band begins: every fifth band, or every octave."""
    labelled = range(0, BANDS, 5) if per_band == 1 else range(2, BANDS, 3)
    text = ""
    for band in labelled:
        hz = NOMINAL_HZ[band]
        label = f"{hz / 1000:g}k" if hz >= 1000 else f"{hz:g}"
        text = text.ljust(band * per_band) + label
    return text
