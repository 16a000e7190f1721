"""The flat addresses: what every channel and the worst one show now.

A board is the whole picture, so that a receiver is brought up to date by what differs from the
board it has seen, whatever was lost on the way.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType

from prehowl.daemon.alerts_now import alerts_of
from prehowl.daemon.events import RingEvent
from prehowl.daemon.sinks.base import Snapshot
from prehowl.daemon.sinks.osc_bytes import Value
from prehowl.daemon.sinks.osc_messages import ACT, NOTHING, ring_values, typed
from prehowl.detectors.rings import RingState

WORST = 0
"""Key of the worst channel's values on a board; channels have their number, from 1."""

ACT_KEY = -1
"""Key of the running order's values on a board."""
RINGOUT_KEY = -2
"""Key of a ring-out's values on a board."""
GROUP_OF = {WORST: "worst", ACT_KEY: "act", RINGOUT_KEY: "ringout"}
"""Group of messages that a key belongs to; channels are "channel"."""

Board = Mapping[int, Mapping[str, Value]]
"""Channel number, or one of the keys above -> address -> value, in the order of sending."""


@dataclass(frozen=True, slots=True)
class ActNow:
    """Which act is on, for the board."""

    number: int = 0
    of: int = 0
    name: str | None = None
    next_name: str | None = None


NO_ACT = ActNow()


def make_board(
    rings: Sequence[RingEvent],
    channels: Collection[int],
    *,
    act: ActNow = NO_ACT,
    held: Collection[int] = (),
    ringout: Mapping[str, Value] | None = None,
) -> Board:
    """Return the board for the living rings.

    Parameters
    ----------
    rings : sequence of RingEvent
        Worst first, none of them cleared.
    channels : collection of int
        Channel numbers to show as calm where nothing rings.
    act : ActNow
        Who is on.
    held : collection of int
        Channel numbers that are never the worst, unless they howl.
    ringout : mapping, optional
        Address -> value of a ring-out, where one is running.
    """
    worst_of: dict[int, RingEvent] = {}
    for ring in rings:
        worst_of.setdefault(int(ring.channel), ring)
    board: dict[int, Mapping[str, Value]] = {
        number: _channel(number, worst_of[number]) if number in worst_of else _calm(number)
        for number in sorted({*channels, *worst_of})
    }
    alerts = alerts_of(rings)
    open_alerts = (a for a in alerts if not a.concerns(held) or a.state is RingState.HOWLING)
    board[WORST] = _worst(next(open_alerts, None))
    board[ACT_KEY] = _act(act)
    if ringout is not None:
        board[RINGOUT_KEY] = ringout
    return board


def act_of(snapshot: Snapshot) -> ActNow:
    """Return who is on."""
    return ActNow(snapshot.act_number, snapshot.acts, snapshot.act, snapshot.next_act)


@lru_cache(maxsize=64)
def _act(act: ActNow) -> Mapping[str, Value]:
    said = {
        "number": act.number,
        "of": act.of,
        "next": act.next_name or NOTHING,
        "name": act.name or NOTHING,
    }
    values = {name: (tag, typed(tag, said[name])) for name, tag, _ in ACT}
    return MappingProxyType(_under("/prehowl/act/", values))


def _channel(number: int, ring: RingEvent | None) -> dict[str, Value]:
    return _under(f"/prehowl/channel/{number}/", ring_values(ring))


@lru_cache(maxsize=1024)
def _calm(number: int) -> Mapping[str, Value]:
    """Return what a calm channel shows; made once, since most channels are calm mostly."""
    return MappingProxyType(_channel(number, None))


def _worst(ring: RingEvent | None) -> Mapping[str, Value]:
    known = ring.alert if ring else None
    who: dict[str, Value] = {
        "channel": ("i", int(ring.channel) if ring else 0),
        "name": ("s", ring.channel_name if ring else NOTHING),
        **{name: ("s", getattr(known, name, None) or NOTHING) for name in ("mic", "mix", "wedge")},
    }
    return _under("/prehowl/worst/", {**who, **ring_values(ring)})


def _under(prefix: str, values: Mapping[str, Value]) -> dict[str, Value]:
    return {prefix + name: value for name, value in values.items()}
