"""Decides how many lines each part of the screen gets; the message comes first."""

from dataclasses import dataclass

from prehowl.daemon.sinks.dashboard.channels import Columns, strip_height
from prehowl.daemon.sinks.dashboard.panel_lines import SIZES, Size

_WIDTH_FOR = {3: 170, 2: 100, 1: 0, 0: 0}
"""Columns from which figures of a scale are worth their rows: at 100 '12.5 kHz -3 dB' fits."""
_WIDTH_FOR_HEAD = {2: 150, 1: 0, 0: 0}
FEW_EVENTS = 2
FEW_CHANNELS = 5
MOST_STRIP = 4


@dataclass(frozen=True, slots=True)
class Layout:
    """Lines for each part, from top to bottom; together at most the height."""

    title: int
    panel: Size
    strip: int
    axis: int
    channels: int  # rows on one page
    events: int
    health: int
    keys: int

    def pages(self, total: int) -> int:
        """Return how many pages the channels take: one if there is no room for any."""
        return max(1, -(-total // self.channels)) if self.channels else 1

    def page_after(self, action: str, page: int, total: int, worst_row: int) -> int:
        """Return the page that a key asks for; pages go round.

        Parameters
        ----------
        action : {"next", "back", "worst"}
        page : int
            The present one; beyond the last it counts as the last.
        total : int
            Channels.
        worst_row : int
            Row of the channel that matters most, or 0.
        """
        if action == "worst":
            return worst_row // max(1, self.channels)
        pages = self.pages(total)
        return (min(page, pages - 1) + (1 if action == "next" else -1)) % pages

    def first_row(self, page: int, total: int) -> int:
        """Return the first row of a page; a page beyond the last counts as the last."""
        return min(page, self.pages(total) - 1) * self.channels


def layout_of(
    width: int, height: int, numbers: tuple[int, ...], *, has_keys: bool = True
) -> Layout:
    """Share out the lines for channels with these numbers; the line of keys can be left out."""
    title, health, keys = int(height >= 6), int(height >= 12), int(has_keys and height >= 8)
    free = height - title - health - keys
    total = len(numbers)
    strip = min(MOST_STRIP, strip_height(total, width, Columns.for_width(width, numbers).number))
    panel = _panel_size(width, free, total, strip)
    free = max(0, free - panel.rows)
    fits_all = free >= total + 1
    strip = 0 if fits_all else min(strip, free if free < 3 else max(1, free - 3))
    free -= strip
    axis = int(free >= 2)
    free -= axis
    events = min(FEW_EVENTS, free // 3) if not fits_all else free - total
    channels = min(total, free - events)
    return Layout(title, panel, strip, axis, channels, free - channels, health, keys)


def _panel_size(width: int, free: int, total: int, strip: int) -> Size:
    """Return the largest message that leaves room for all channels, or for some, or its figures.

    All channels on one page are worth smaller figures, but not small words. Without figures only
    where there is no room for any: a window that grows never loses them, nor the large words.
    """
    wide = [
        size for size in SIZES if width >= max(_WIDTH_FOR[size.figures], _WIDTH_FOR_HEAD[size.head])
    ]
    large = [size for size in wide if size.head and (size.figures > 1 or width < _WIDTH_FOR[2])]
    drawn = [size for size in wide if size.figures]
    everything = total + 1 + FEW_EVENTS
    some = min(everything, strip + 1 + FEW_CHANNELS + FEW_EVENTS)
    for sizes, spare in ((large, everything), (drawn, some), (drawn[-1:], 0)):
        for size in sizes:
            if size.rows + spare <= free:
                return size
    return SIZES[-1]
