"""All mappings of one receiver: ring events in, datagrams out. Pure: time is handed in."""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

from prehowl.daemon.alerts_now import AlertsNow, worst_first
from prehowl.daemon.events import RingEvent
from prehowl.daemon.osc_map.arguments import Argument, argument_of
from prehowl.daemon.osc_map.fields import Known
from prehowl.daemon.osc_map.limiter import Limiter, Mapped
from prehowl.daemon.osc_map.templates import Template, address_of
from prehowl.daemon.show.osc_tables import OscMap
from prehowl.daemon.sinks.osc_bytes import bundle_bytes, message_bytes, time_tag
from prehowl.detectors.rings import RingState

IMMEDIATELY = 1
"""The time tag that OSC 1.0 sets aside for 'at once'."""
CHANNEL_FIELDS = {"channel", "channel_name"}
LIVES_HIGH = 4096  # rings that one mapping follows; more are a storm, the oldest is let go


@dataclass(slots=True)
class _Rule:
    """One mapping with the rings that it holds now."""

    wanted: OscMap
    known: Known
    address: Template
    arguments: tuple[Argument, ...]
    held: dict[int, RingEvent] = field(default_factory=dict)
    next_s: float = float("inf")  # of the next message while rings are held

    @property
    def minds_kind(self) -> bool:
        """Tell whether the kind of a channel decides whether a ring passes, or where it goes."""
        return bool(self.wanted.kinds) or "kind" in self.address.fields

    def fits(self, event: RingEvent) -> bool:
        """Tell whether a ring passes the filter."""
        wanted = self.wanted
        return (
            str(event.state) in wanted.states
            and any(self._fits_channel(channel) for channel in self._channels(event))
            and (not wanted.acts or event.act in wanted.acts)
            and (wanted.band_from_hz is None or event.band_hz >= wanted.band_from_hz)
            and (wanted.band_to_hz is None or event.band_hz <= wanted.band_to_hz)
        )

    def group(self, event: RingEvent) -> Hashable:
        """Return what the rings of one lamp have in common.

        Of messages that name a channel in their address, each address is entered and left.
        """
        if self.wanted.per == "ring" and CHANNEL_FIELDS & self.address.fields:
            return (event.id, event.channel)
        return {"ring": event.id, "channel": event.channel, "show": 0}[self.wanted.per]

    def take(self, event: RingEvent) -> list[RingEvent]:
        """Follow one event; return those to send."""
        before, group = self.held.get(event.id), self.group(event)
        if before is not None and self.group(before) != group:
            # The howl belongs to another channel, as is known now.
            gone = replace(before, state=RingState.CLEARED, time_s=event.time_s)
            return self._leave(gone) + self._follow(event, group)
        return self._follow(event, group)

    def _follow(self, event: RingEvent, group: Hashable) -> list[RingEvent]:
        if not self.fits(event):
            return self._leave(event)
        is_first = not self._has(group)
        self.held[event.id] = event
        if len(self.held) > LIVES_HIGH:
            self.held.pop(next(iter(self.held)))
        is_sent = self.wanted.send == "each" or (self.wanted.send == "enter" and is_first)
        return [event] if is_sent else []

    def _leave(self, event: RingEvent) -> list[RingEvent]:
        was_held = self.held.pop(event.id, None) is not None
        is_sent = was_held and self.wanted.send == "leave" and not self._has(self.group(event))
        return [event] if is_sent else []

    def _channels(self, event: RingEvent) -> tuple[int, ...]:
        """Return the channels by which a ring may pass: its own, or those that its alert names."""
        if self.wanted.each_channel or event.alert is None:
            return (event.channel,)
        return event.alert.named

    def _fits_channel(self, channel: int) -> bool:
        wanted = self.wanted
        return (not wanted.channels or channel in wanted.channels) and (
            not wanted.kinds or self.known.is_of(wanted.kinds, channel)
        )

    def made(self, event: RingEvent, wall_s: float) -> Mapped:
        """Return the message for one ring."""
        wanted, told = self.wanted, self.known.tell(event, len(self.held))
        return Mapped(
            address=self.address.address(told),
            values=tuple(argument.value(told) for argument in self.arguments),
            bundle=wanted.bundle,
            time_tag_s=wall_s + wanted.delay_ms / 1000,
            interval_s=1 / wanted.at_most_hz,
            is_true=partial(self._is_true, self.group(event)),
        )

    def repeats(self) -> list[RingEvent]:
        """Return the worst ring of every group that is held."""
        worst: dict[Hashable, RingEvent] = {}
        for event in worst_first(self.held.values()):
            worst.setdefault(self.group(event), event)
        return list(worst.values())

    def _is_true(self, group: Hashable) -> bool:
        """Tell whether what a message that had to wait says of its group is so still."""
        return self.wanted.send == "each" or self._has(group) == (self.wanted.send != "leave")

    def _has(self, group: Hashable) -> bool:
        return any(self.group(event) == group for event in self.held.values())


class Mapper:
    """Turns ring events into the datagrams that one receiver is to get.

    Parameters
    ----------
    maps : sequence of OscMap
        Those of this receiver, in the show file's order.
    known : Known
        Kinds of the channels, and the show's title.
    """

    def __init__(self, maps: Sequence[OscMap], known: Known) -> None:
        self._rules = [
            _Rule(wanted, known, address_of(wanted.address), tuple(map(argument_of, wanted.args)))
            for wanted in maps
        ]
        self._limiter = Limiter()
        self._alerts = AlertsNow()

    def __bool__(self) -> bool:
        """Tell whether there is anything to map."""
        return bool(self._rules)

    @property
    def replaced(self) -> int:
        """Return how many messages the rate limit has replaced by later ones."""
        return self._limiter.replaced

    def take(self, event: RingEvent, wall_s: float, now_s: float) -> None:
        """Follow one event.

        Parameters
        ----------
        event : RingEvent
        wall_s : float
            When it came, seconds since 1970, for time tags.
        now_s : float
            The same on a monotonic clock, for rates.
        """
        news = self._alerts.take(event)
        self._tell(event, True, wall_s, now_s)
        if news is not None:
            self._tell(news.alert, False, wall_s, now_s)

    def take_known(self, known: Known, wall_s: float, now_s: float) -> None:
        """Go on with other kinds of channels, or another title.

        Where a mapping goes by the kind, what it holds is left under the old one and entered under
        the new; nobody else notices.
        """
        for rule in self._rules:
            is_new = rule.known.kinds != known.kinds and rule.minds_kind
            held = list(rule.held.values()) if is_new else []
            for event in held:
                self._give(rule, replace(event, state=RingState.CLEARED), wall_s, now_s)
            rule.known = known
            for event in self._living(rule) if is_new else ():
                self._give(rule, event, wall_s, now_s)

    def _living(self, rule: _Rule) -> Sequence[RingEvent]:
        each = rule.wanted.each_channel
        return self._alerts.rings() if each else self._alerts.worst_first()

    def reconcile(self, rings: Sequence[RingEvent], wall_s: float, now_s: float) -> None:
        """Follow the living rings after events were lost: what is not among them has cleared."""
        living = {ring.id for ring in rings}
        gone = {
            event.id: replace(event, state=RingState.CLEARED)
            for rule in self._rules
            if rule.wanted.each_channel
            for event in rule.held.values()
            if event.id not in living
        }
        for event in (*gone.values(), *rings):
            self._tell(event, True, wall_s, now_s)
        for alert in self._alerts.follow(rings):
            self._tell(alert, False, wall_s, now_s)

    def _tell(self, event: RingEvent, is_of_channel: bool, wall_s: float, now_s: float) -> None:
        """Give the rings of channels to those who want every one, alerts to the others."""
        for rule in self._rules:
            if rule.wanted.each_channel is is_of_channel:
                self._give(rule, event, wall_s, now_s)

    def _give(self, rule: _Rule, event: RingEvent, wall_s: float, now_s: float) -> None:
        for told in rule.take(event):
            self._limiter.put(rule.made(told, wall_s), now_s)
        self._start_or_stop(rule, now_s)

    def due(self, wall_s: float, now_s: float, *, is_alive: bool = True) -> list[bytes]:
        """Return the datagrams that are to leave now, in order.

        Messages 'while' are made only as long as the analysis is alive: repeated news of a ring
        that nobody listens for any more would be a lie.
        """
        for rule in self._rules:
            if now_s >= rule.next_s:
                rule.next_s = max(rule.next_s + 1 / rule.wanted.rate_hz, now_s)
                for event in rule.repeats() if is_alive else ():
                    self._limiter.put(rule.made(event, wall_s), now_s)
        return _datagrams(self._limiter.due(now_s))

    def rest(self, now_s: float) -> list[bytes]:
        """Return what still waits for its rate, at a clean end."""
        return _datagrams(self._limiter.due(now_s, all_of_them=True))

    def next_s(self) -> float:
        """Return when `due` has something, infinity for never; monotonic."""
        return min([self._limiter.next_s(), *(rule.next_s for rule in self._rules)])

    @staticmethod
    def _start_or_stop(rule: _Rule, now_s: float) -> None:
        if rule.wanted.send != "while" or not rule.held:
            rule.next_s = float("inf")
        elif rule.next_s == float("inf"):
            rule.next_s = now_s


def _datagrams(messages: Sequence[Mapped]) -> list[bytes]:
    """Return the bytes; messages of one bundle kind and time share a bundle."""
    found: list[bytes] = []
    bundles: dict[tuple[str, float], list[bytes]] = {}
    places: dict[tuple[str, float], int] = {}
    for message in messages:
        data = message_bytes(message.address, message.values)
        if message.bundle == "none":
            found.append(data)
            continue
        key = (message.bundle, message.time_tag_s if message.bundle == "time" else 0.0)
        if key not in bundles:
            places[key] = len(found)
            found.append(b"")
        bundles.setdefault(key, []).append(data)
    for key, inside in bundles.items():
        tag = time_tag(key[1]) if key[0] == "time" else IMMEDIATELY
        found[places[key]] = bundle_bytes(inside, tag)
    return found
