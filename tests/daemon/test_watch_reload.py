"""What is said of a show file that is read again: which channels are watched, and which are not."""

from dataclasses import replace

import pytest
from fakes import FakeSource

from prehowl.daemon.show import Show
from prehowl.daemon.show.tables import Channel, Device
from prehowl.daemon.watch_reload import InForce
from prehowl.daemon.watched import Watched
from prehowl.daemon.weak_bands import WeakBands


def show(*numbers: int, inputs: int | None = None) -> Show:
    channels = tuple(Channel(number, f"Vox {number}") for number in numbers)
    return Show(channels=channels, device=Device(channels=inputs))


def told(old: Show, new: Show, numbers: tuple[int, ...], *, has_chosen: bool = False) -> str:
    """Return what the log says; only what is watched and the shows matter, no part is touched."""
    watched = Watched(
        source=FakeSource([], channels=len(numbers)),
        numbers=numbers,
        title="box",
        pace="fast",
        is_live=True,
        is_headless=True,
        format="table",
        metrics_port=None,
        reload=None,
        has_chosen=has_chosen,
    )
    in_force = InForce(old, watched, *[None] * 6, has_screens=False)
    return in_force.changed(new)[1].removeprefix("show file read again: ")


NEXT = "NOT WATCHED before the next start"


@pytest.mark.parametrize(
    ("new", "said"),
    [
        (show(1, 2), "nothing new to put in force"),
        (show(1, 2, 3, 4, 7), f"nothing new to put in force; {NEXT}: channels 3-4, 7"),
        (show(1), "channel names in force; watched on, though no longer named: channel 2"),
        (
            show(2, 3),
            f"channel names in force; {NEXT}: channel 3; "
            "watched on, though no longer named: channel 1",
        ),
    ],
)
def test_channels_that_came_and_went_are_told(new: Show, said: str) -> None:
    """Oracle: definition; two inputs are open, as channels 1 and 2 were named before."""
    assert told(show(1, 2), new, (1, 2)) == said


def test_no_start_is_promised_that_would_leave_it_out_too() -> None:
    """Oracle: precedence: --channels wins over all, `device.channels` over the channels' table."""
    old, new = show(1), show(1, 2)
    assert told(old, new, (1,), has_chosen=True).endswith("; NOT WATCHED: channel 2")
    device = replace(new.device, channels=1)
    few = told(replace(old, device=device), replace(new, device=device), (1,))
    assert few.endswith("; NOT WATCHED: channel 2")
    device = replace(new.device, channels=2)
    more = told(old, replace(new, device=device), (1,))
    assert more.endswith(f"; at the next start: device; {NEXT}: channel 2")


def test_another_sheet_is_told_as_that_and_no_more() -> None:
    """Oracle: definition; the engine's setup holds the sheet's rings, but is no key of the file."""
    sheets = [
        WeakBands("vocal", {800.0: 3.0}, frozenset(), frozenset(), (hz,)) for hz in (790, 810)
    ]
    old, new = (replace(show(1), weak_bands={1: sheet}) for sheet in sheets)
    assert told(old, new, (1,)) == "known weak bands in force"
