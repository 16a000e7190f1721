"""The alerts that live: the rings of one howl, on however many channels, as one event.

Which rings belong together stands in the events already; whoever shows, counts or announces goes
by what this makes of them, so that nobody tells one howl twice.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

from prehowl.daemon.events import Alert, RingEvent
from prehowl.detectors.rings import RingState

BADNESS = {RingState.SUSPECT: 1, RingState.RINGING: 2, RingState.HOWLING: 3}


def worst_first(rings: Iterable[RingEvent]) -> tuple[RingEvent, ...]:
    """Return rings: howling before ringing before suspect, then by growth and level."""
    return tuple(sorted(rings, key=badness, reverse=True))


def badness(event: RingEvent) -> tuple[int, float, float, int]:
    """Return a key by which living rings, or alerts, are sorted: the worst is the greatest."""
    growth = event.growth_db_per_s
    growth = float("-inf") if growth is None else growth
    return (BADNESS[event.state], growth, event.level_dbfs, -event.id)


def alerts_of(rings: Iterable[RingEvent]) -> tuple[RingEvent, ...]:
    """Return the alerts of living rings, the worst first; see `as_alert`."""
    groups: dict[int, list[RingEvent]] = {}
    for ring in rings:
        groups.setdefault(ring.alert_id, []).append(ring)
    return worst_first(as_alert(group) for group in groups.values())


def as_alert(rings: Sequence[RingEvent], alert: Alert | None = None) -> RingEvent:
    """Return the rings of one howl as one event.

    Parameters
    ----------
    rings : sequence of RingEvent
        At least one; the newest event of each, all of one alert.
    alert : Alert, optional
        What is known of it now; default: what the newest of the events says.

    Returns
    -------
    RingEvent
        Its `id` is the alert's; the state is the worst of all and `time_s` when the first ring
        reached it. The figures are of the worst ring on a channel that the alert names, so that
        the cut is the loop's and not a bystander's.
    """
    alert = alert or max(rings, key=lambda ring: (ring.time_s, ring.id)).alert
    if alert is None:
        return rings[-1]
    worst = max(BADNESS.get(ring.state, 0) for ring in rings)
    as_bad = [ring for ring in rings if BADNESS.get(ring.state, 0) == worst]
    named = [ring for ring in rings if ring.channel in alert.named]
    of_the_lead = [ring for ring in named if ring.channel == alert.channel]
    teller = max(
        named or rings,
        key=lambda ring: (BADNESS.get(ring.state, 0), ring in of_the_lead, ring.level_dbfs),
    )
    return replace(
        teller,
        id=alert.id,
        channel=alert.channel,
        channel_name=alert.channel_name,
        state=as_bad[0].state,
        time_s=min(ring.time_s for ring in as_bad),
        onset_s=min((r.onset_s for r in rings if r.onset_s is not None), default=None),
        alert=alert,
    )


@dataclass(frozen=True, slots=True)
class News:
    """What an event has changed in an alert."""

    alert: RingEvent  # as it is now; `cleared` when all of its rings have
    announces: bool  # it has become an alarm: so once in its life
    heard: int  # channels that it rings on now


@dataclass(slots=True)
class AlertsNow:
    """Follows the events of rings; grows with living rings only."""

    _rings: dict[int, dict[int, RingEvent]] = field(default_factory=dict)  # alert -> ring -> event
    _alerts: dict[int, RingEvent] = field(default_factory=dict)
    _alarmed: set[int] = field(default_factory=set)

    def take(self, event: RingEvent) -> News | None:
        """Follow one event; return its alert where the alert's state, names or band are new."""
        key = event.alert_id
        rings = self._rings.setdefault(key, {})
        if event.state is RingState.CLEARED:
            rings.pop(event.id, None)
        else:
            rings[event.id] = event
        if rings:
            return self._kept(rings, event.alert)
        del self._rings[key]
        self._alarmed.discard(key)
        had = self._alerts.pop(key, None) is not None
        return News(as_alert([event]), announces=False, heard=0) if had else None

    def follow(self, rings: Iterable[RingEvent]) -> list[RingEvent]:
        """Take the whole truth about living rings; return alerts that are new, changed or over."""
        groups: dict[int, dict[int, RingEvent]] = {}
        for ring in rings:
            groups.setdefault(ring.alert_id, {})[ring.id] = ring
        over = [
            replace(alert, state=RingState.CLEARED)
            for key, alert in self._alerts.items()
            if key not in groups
        ]
        self._rings = groups
        self._alerts = {key: alert for key, alert in self._alerts.items() if key in groups}
        self._alarmed &= groups.keys()
        news = (self._kept(found) for found in groups.values())
        return over + [found.alert for found in news if found is not None]

    def worst_first(self) -> tuple[RingEvent, ...]:
        """Return the living alerts."""
        return worst_first(self._alerts.values())

    def rings(self) -> tuple[RingEvent, ...]:
        """Return the newest event of every living ring, the worst first."""
        return worst_first(ring for rings in self._rings.values() for ring in rings.values())

    def named(self, ring: RingEvent) -> RingEvent:
        """Return a living ring with the names that its alert has by now."""
        now = self._alerts.get(ring.alert_id)
        if now is None or now.alert is None or ring.alert in (None, now.alert):
            return ring
        return replace(ring, alert=now.alert)

    def heard(self, alert_id: int) -> int:
        """Return on how many channels an alert rings now."""
        return len({ring.channel for ring in self._rings.get(alert_id, {}).values()})

    def __contains__(self, alert_id: int) -> bool:
        """Tell whether an alert lives."""
        return alert_id in self._alerts

    def _kept(self, rings: dict[int, RingEvent], known: Alert | None = None) -> News | None:
        now = as_alert(list(rings.values()), known)
        before = self._alerts.get(now.id)
        self._alerts[now.id] = now
        announces = now.is_alarm and now.id not in self._alarmed
        if announces:
            self._alarmed.add(now.id)
        if before is not None and _told(before) == _told(now):
            return None
        return News(now, announces, self.heard(now.id))


def _told(alert: RingEvent) -> tuple[object, ...]:
    return alert.state, alert.alert, alert.band_hz
