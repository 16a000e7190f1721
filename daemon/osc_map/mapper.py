"""All mappings of one receiver: ring events in, datagrams out. Pure: time is handed in."""

import contextlib
from collections.abc import Iterator, Sequence
from dataclasses import replace

from prehowl.daemon.alerts_now import AlertsNow
from prehowl.daemon.events import RingEvent
from prehowl.daemon.osc_map.fields import Known
from prehowl.daemon.osc_map.limiter import Limiter, Mapped
from prehowl.daemon.osc_map.rule import Rule, rule_of
from prehowl.daemon.show.osc_tables import OscMap
from prehowl.daemon.sinks.osc_bytes import bundle_bytes, message_bytes, time_tag
from prehowl.daemon.sinks.words import counted, printable
from prehowl.detectors.rings import RingState

IMMEDIATELY = 1
"""The time tag that OSC 1.0 sets aside for 'at once'."""


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
        self._rules = [rule_of(wanted, known) for wanted in maps]
        self._limiter = Limiter()
        self._alerts = AlertsNow()
        self._failed = 0
        self._fault = ""

    def __bool__(self) -> bool:
        """Tell whether there is anything to map."""
        return bool(self._rules)

    @property
    def replaced(self) -> int:
        """Return how many messages the rate limit has replaced by later ones."""
        return self._limiter.replaced

    def text(self) -> str:
        """Return "" or which mapping has failed, for a person. Callable from any thread."""
        lost = counted(self._failed, "message")
        return self._fault and f"{self._fault}; {lost} lost, the rest goes on"

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
            if is_new:
                self._let_go(rule, wall_s, now_s)
            rule.known = known
            for event in self._living(rule) if is_new else ():
                self._give(rule, event, wall_s, now_s)

    def _living(self, rule: Rule) -> Sequence[RingEvent]:
        each = rule.wanted.each_channel
        return self._alerts.rings() if each else self._alerts.worst_first()

    def reconcile(self, rings: Sequence[RingEvent], wall_s: float, now_s: float) -> None:
        """Follow the living rings after events were lost: what is not among them has cleared."""
        living = {ring.id for ring in rings}
        gone = {
            lit.event.id: replace(lit.event, state=RingState.CLEARED)
            for rule in self._rules
            if rule.wanted.each_channel
            for lit in rule.held.values()
            if lit.event.id not in living
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

    def _give(self, rule: Rule, event: RingEvent, wall_s: float, now_s: float) -> None:
        with self._fault_noted(rule.wanted.address):
            for lit in rule.take(event):
                self._limiter.put(rule.made(lit, wall_s), now_s)
        self._start_or_stop(rule, now_s)

    @contextlib.contextmanager
    def _fault_noted(self, address: str) -> Iterator[None]:
        """Let a mapping fail by itself: another one's lamp must not stay lit for it."""
        try:
            yield
        except Exception as fault:
            self._failed += 1
            said = printable(f"{type(fault).__name__}: {fault}")
            self._fault = f"the mapping to {address} has failed ({said})"

    def _let_go(self, rule: Rule, wall_s: float, now_s: float) -> None:
        """Let a mapping leave all that it holds, as if every ring had cleared."""
        for lit in list(rule.held.values()):
            self._give(rule, replace(lit.event, state=RingState.CLEARED), wall_s, now_s)

    def due(self, wall_s: float, now_s: float, *, is_alive: bool = True) -> list[bytes]:
        """Return the datagrams that are to leave now, in order.

        Messages 'while' are made only as long as the analysis is alive: repeated news of a ring
        that nobody listens for any more would be a lie.
        """
        for rule in self._rules:
            if now_s >= rule.next_s:
                rule.next_s = max(rule.next_s + 1 / rule.wanted.rate_hz, now_s)
                with self._fault_noted(rule.wanted.address):
                    for lit in rule.repeats() if is_alive else ():
                        self._limiter.put(rule.made(lit, wall_s), now_s)
        return self._datagrams(self._limiter.due(now_s))

    def rest(self, wall_s: float, now_s: float) -> list[bytes]:
        """Let go of all that is held, and return what still waits for its rate.

        For a clean end, which may come while rings live: no lamp of theirs stays lit.
        """
        for rule in self._rules:
            self._let_go(rule, wall_s, now_s)
        return self._datagrams(self._limiter.due(now_s, all_of_them=True))

    def next_s(self) -> float:
        """Return when `due` has something, infinity for never; monotonic."""
        return min([self._limiter.next_s(), *(rule.next_s for rule in self._rules)])

    @staticmethod
    def _start_or_stop(rule: Rule, now_s: float) -> None:
        if rule.wanted.send != "while" or not rule.held:
            rule.next_s = float("inf")
        elif rule.next_s == float("inf"):
            rule.next_s = now_s

    def _datagrams(self, messages: Sequence[Mapped]) -> list[bytes]:
        made = []
        for message in messages:
            with self._fault_noted(message.address):
                made.append((message, message_bytes(message.address, message.values)))
        return _bundled(made)


def _bundled(messages: Sequence[tuple[Mapped, bytes]]) -> list[bytes]:
    """Return the packets; messages of one bundle kind and time share a bundle."""
    found: list[bytes] = []
    bundles: dict[tuple[str, float], list[bytes]] = {}
    places: dict[tuple[str, float], int] = {}
    for message, data in messages:
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
