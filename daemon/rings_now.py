"""The rings that are alive, worst first, and the count of alarms."""

from dataclasses import dataclass, field

from prehowl.daemon.alerts_now import AlertsNow, News, worst_first
from prehowl.daemon.events import RingEvent
from prehowl.detectors.rings import RingState


@dataclass(slots=True)
class RingsNow:
    """Newest event of every ring that is not cleared; grows with living rings only."""

    events: int = 0
    alarms_by_channel: dict[int, int] = field(default_factory=dict)
    _living: dict[int, RingEvent] = field(default_factory=dict)
    _alerts: AlertsNow = field(default_factory=AlertsNow)

    def take(self, event: RingEvent) -> News | None:
        """Note one event; return what it changed in its alert.

        An alarm is the first `ringing` or `howling` of an alert, counted for its microphone where
        that is known, else for the channel that leads. A count never goes down again.
        """
        self.events += 1
        if event.state is RingState.CLEARED:
            self._living.pop(event.id, None)
        else:
            self._living[event.id] = event
        news = self._alerts.take(event)
        if news is not None and news.announces:
            channel = _counted_for(news.alert)
            self.alarms_by_channel[channel] = self.alarms_by_channel.get(channel, 0) + 1
        return news

    @property
    def alarms(self) -> int:
        """Alarms so far on all channels."""
        return sum(self.alarms_by_channel.values())

    def worst_first(self) -> tuple[RingEvent, ...]:
        """Return living rings: howling before ringing before suspect, then by growth and level.

        Each with the names that its alert has now: its own last event may be older than they are.
        """
        return worst_first(self._alerts.named(ring) for ring in self._living.values())


def _counted_for(event: RingEvent) -> int:
    if event.alert is None:
        return event.channel
    return event.alert.mic_channel or event.alert.channel
