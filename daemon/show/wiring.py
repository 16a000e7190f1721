"""What a show tells of the loops: which channels are mixes, who belongs to whom, which wedge."""

from collections.abc import Sequence

from prehowl.daemon.alerts import Wiring
from prehowl.daemon.show.show import Show
from prehowl.daemon.show.tables import Channel, Kind
from prehowl.detectors.alerts import Tap


def wiring_of(show: Show, numbers: Sequence[int]) -> Wiring:
    """Return the wiring of the watched channels.

    Parameters
    ----------
    show : Show
        Channels that it does not name are microphones of which nothing is known.
    numbers : sequence of int
        Channel number of each row; who belongs to a channel that is not watched stands alone.
    """
    told = {channel.number: channel for channel in show.channels}
    rows = {number: row for row, number in enumerate(numbers)}
    channels = [told.get(number, Channel(number)) for number in numbers]
    taps = tuple(
        Tap(
            is_mix=channel.kind == Kind.MIX,
            partners=frozenset(
                rows[other.number] for other in show.partners(channel) if other.number in rows
            ),
        )
        for channel in channels
    )
    return Wiring(taps, tuple(channel.wedge for channel in channels))
