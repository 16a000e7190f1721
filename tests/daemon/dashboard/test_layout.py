"""How the lines are shared out: figures wherever there is room, and never lost by growing."""

from itertools import product

import pytest

from prehowl.daemon.sinks.dashboard import examples, render
from prehowl.daemon.sinks.dashboard.layout import Layout, layout_of
from prehowl.daemon.sinks.dashboard.themes import DARK

NOW_S = 100.0
WIDTHS, HEIGHTS = range(1, 221), range(1, 71)


def numbers(channels: int) -> tuple[int, ...]:
    return tuple(range(1, channels + 1))


@pytest.mark.parametrize("has_keys", [True, False])
@pytest.mark.parametrize("channels", [1, 2, 3, 4, 5, 6, 8, 12, 16, 32, 64])
def test_a_window_that_grows_never_loses_its_figures(channels: int, has_keys: bool) -> None:
    """Property, over all sizes: one column or line more keeps figures and large words."""
    sizes = {
        size: layout_of(*size, numbers(channels), has_keys=has_keys).panel
        for size in product(WIDTHS, HEIGHTS)
    }
    for (width, height), panel in sizes.items():
        for larger in ((width + 1, height), (width, height + 1)):
            grown = sizes.get(larger, panel)
            assert bool(grown.figures) >= bool(panel.figures), (width, height, larger)
            assert bool(grown.head) >= bool(panel.head), (width, height, larger)


@pytest.mark.parametrize("channels", range(1, 65))
def test_the_lines_add_up_and_a_small_window_has_figures(channels: int) -> None:
    """Oracle: docs/dashboard.md: five lines high at 40x12, so at everything above."""
    for width, height in product((40, 60, 80, 99, 100, 150, 170, 200), HEIGHTS):
        layout = layout_of(width, height, numbers(channels))
        assert lines_of(layout) <= max(height, layout.panel.rows)
        assert layout.panel.figures >= (height >= 12)


@pytest.mark.parametrize("channels", [1, 2, 4, 6, 12, 32])
@pytest.mark.parametrize(
    ("width", "height"),
    [(40, 12), (50, 13), (60, 14), (60, 15), (60, 16), (60, 17), (70, 18), (80, 18), (80, 20)],
)
def test_the_figures_are_drawn(width: int, height: int, channels: int) -> None:
    """Oracle: '2.5' drawn by hand, on five lines one below the other, at sizes between."""
    by_hand = [
        "█████     ██████",
        "    ██    ██    ",
        " ████     █████ ",
        "██            ██",
        "██████ ██ █████ ",
    ]
    view = examples.moment("ringing", channels, now_s=NOW_S).view(NOW_S)
    text = render(view, width, height, DARK, NOW_S).text()
    shown = [line[1:17] for line in text.split("\n")]
    assert by_hand in [shown[at : at + 5] for at in range(height - 4)]


def lines_of(layout: Layout) -> int:
    rest = layout.title + layout.strip + layout.axis + layout.channels
    return layout.panel.rows + rest + layout.events + layout.health + layout.keys
