"""The flat addresses: what every channel and the worst one show now.

A board is the whole picture, so that a receiver is brought up to date by what differs from the
board it has seen, whatever was lost on the way.
"""

from collections.abc import Collection, Mapping, Sequence
from functools import lru_cache
from types import MappingProxyType

from prehowl.daemon.events import RingEvent
from prehowl.daemon.sinks.osc_messages import NOTHING, Value, ring_values

WORST = 0
"""Key of the worst channel's values on a board; channels have their number, from 1."""

Board = Mapping[int, Mapping[str, Value]]
"""Channel number, or `WORST` -> address -> value, in the order of sending."""


def make_board(rings: Sequence[RingEvent], channels: Collection[int]) -> Board:
    """Return the board for the living rings.

    Parameters
    ----------
    rings : sequence of RingEvent
        Worst first, none of them cleared.
    channels : collection of int
        Channel numbers to show as calm where nothing rings.
    """
    worst_of: dict[int, RingEvent] = {}
    for ring in rings:
        worst_of.setdefault(int(ring.channel), ring)
    board: dict[int, Mapping[str, Value]] = {
        number: _channel(number, worst_of[number]) if number in worst_of else _calm(number)
        for number in sorted({*channels, *worst_of})
    }
    board[WORST] = _worst(rings[0] if rings else None)
    return board


def _channel(number: int, ring: RingEvent | None) -> dict[str, Value]:
    return _under(f"/prehowl/channel/{number}/", ring_values(ring))


@lru_cache(maxsize=1024)
def _calm(number: int) -> Mapping[str, Value]:
    """Return what a calm channel shows; made once, since most channels are calm mostly."""
    return MappingProxyType(_channel(number, None))


def _worst(ring: RingEvent | None) -> Mapping[str, Value]:
    who: dict[str, Value] = {
        "channel": ("i", int(ring.channel) if ring else 0),
        "name": ("s", ring.channel_name if ring else NOTHING),
    }
    return _under("/prehowl/worst/", {**who, **ring_values(ring)})


def _under(prefix: str, values: Mapping[str, Value]) -> dict[str, Value]:
    return {prefix + name: value for name, value in values.items()}
