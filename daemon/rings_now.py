"""The rings that are alive, worst first, and the count of alarms."""

from collections.abc import Iterable
from dataclasses import dataclass, field

from prehowl.daemon.events import RingEvent
from prehowl.detectors.rings import RingState

BADNESS = {RingState.SUSPECT: 1, RingState.RINGING: 2, RingState.HOWLING: 3}


@dataclass(slots=True)
class RingsNow:
    """Newest event of every ring that is not cleared; grows with living rings only."""

    events: int = 0
    alarms_by_channel: dict[int, int] = field(default_factory=dict)
    _living: dict[int, RingEvent] = field(default_factory=dict)
    _alarmed: set[int] = field(default_factory=set)

    def take(self, event: RingEvent) -> None:
        """Note one event; the first `ringing` or `howling` of an id is an alarm."""
        self.events += 1
        if event.state is RingState.CLEARED:
            self._living.pop(event.id, None)
            self._alarmed.discard(event.id)
            return
        self._living[event.id] = event
        if event.is_alarm and event.id not in self._alarmed:
            self._alarmed.add(event.id)
            count = self.alarms_by_channel.get(event.channel, 0)
            self.alarms_by_channel[event.channel] = count + 1

    @property
    def alarms(self) -> int:
        """Alarms so far on all channels."""
        return sum(self.alarms_by_channel.values())

    def worst_first(self) -> tuple[RingEvent, ...]:
        """Return living rings: howling before ringing before suspect, then by growth and level."""
        return worst_first(self._living.values())


def worst_first(rings: Iterable[RingEvent]) -> tuple[RingEvent, ...]:
    """Return rings: howling before ringing before suspect, then by growth and level."""
    return tuple(sorted(rings, key=_badness, reverse=True))


def _badness(event: RingEvent) -> tuple[int, float, float, int]:
    growth = event.growth_db_per_s
    return (
        BADNESS[event.state],
        float("-inf") if growth is None else growth,
        event.level_dbfs,
        -event.id,
    )
