"""One mapping with the rings that it holds now: which messages an event brings. Pure.

What is entered is left: a lamp that was lit at an address is put out at just that address, whatever
the ring's channel, name, band or state has become by then.
"""

from collections.abc import Hashable
from dataclasses import dataclass, field, replace
from functools import partial
from typing import NamedTuple

from prehowl.daemon.alerts_now import worst_first
from prehowl.daemon.events import RingEvent
from prehowl.daemon.osc_map.arguments import Argument, argument_of
from prehowl.daemon.osc_map.fields import Known
from prehowl.daemon.osc_map.limiter import Mapped
from prehowl.daemon.osc_map.templates import Template, address_of
from prehowl.daemon.show.osc_tables import OscMap
from prehowl.detectors.rings import RingState

LIVES_HIGH = 4096  # rings that one mapping follows; more are a storm, the oldest is let go


class Group(NamedTuple):
    """What the rings of one lamp have in common."""

    counted: Hashable  # as `per` says: the ring, its channel, or nothing
    address: str


class Lit(NamedTuple):
    """A ring with the lamp that it lights, or has just left."""

    event: RingEvent
    group: Group


@dataclass(slots=True)
class Rule:
    """One mapping with the rings that it holds now."""

    wanted: OscMap
    known: Known
    address: Template
    arguments: tuple[Argument, ...]
    held: dict[int, Lit] = field(default_factory=dict)
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

    def group(self, event: RingEvent) -> Group:
        """Return what the rings of one lamp have in common: what is counted, and the address."""
        counted = {"ring": event.id, "channel": event.channel, "show": 0}[self.wanted.per]
        return Group(counted, self.address.address(self.known.tell(event, 0)))

    def take(self, event: RingEvent) -> list[Lit]:
        """Follow one event; return those to send."""
        before = self.held.get(event.id)
        if not self.fits(event):
            return self._leave(before, event)
        group = self.group(event)
        if before is None or before.group == group:
            return self._enter(event, group)
        # It belongs to another lamp now: the howl's channel or name is known better, or its band
        # or state has changed and the address goes by it.
        return self._leave(before, event) + self._enter(event, group)

    def _enter(self, event: RingEvent, group: Group) -> list[Lit]:
        is_first = not self._has(group)
        lit = self.held[event.id] = Lit(event, group)
        if len(self.held) > LIVES_HIGH:
            self.held.pop(next(iter(self.held)))
        is_sent = self.wanted.send == "each" or (self.wanted.send == "enter" and is_first)
        return [lit] if is_sent else []

    def _leave(self, before: Lit | None, event: RingEvent) -> list[Lit]:
        if before is None:
            return []
        del self.held[event.id]
        is_sent = self.wanted.send == "leave" and not self._has(before.group)
        return [Lit(self._farewell(before, event), before.group)] if is_sent else []

    def _farewell(self, before: Lit, event: RingEvent) -> RingEvent:
        """Return what is told of a ring at the lamp that it leaves: the newest that is true there.

        As long as its state is one that the mapping wants, the ring is over for this lamp alone;
        it says `cleared`, else a lamp that goes by {state_number} would stay lit.
        """
        is_of_it = self.group(replace(event, state=before.event.state)) == before.group
        told = event if is_of_it else replace(before.event, time_s=event.time_s)
        is_wanted = str(told.state) in self.wanted.states
        return replace(told, state=RingState.CLEARED) if is_wanted else told

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

    def made(self, lit: Lit, wall_s: float) -> Mapped:
        """Return the message for one ring."""
        wanted, has_left = self.wanted, self.wanted.send == "leave"
        told = self.known.tell(lit.event, len(self.held), has_left=has_left)
        return Mapped(
            address=lit.group.address,
            values=tuple(argument.value(told) for argument in self.arguments),
            bundle=wanted.bundle,
            time_tag_s=wall_s + wanted.delay_ms / 1000,
            interval_s=1 / wanted.at_most_hz,
            is_true=partial(self._is_true, lit.group),
        )

    def repeats(self) -> list[Lit]:
        """Return the worst ring of every group that is held."""
        worst: dict[Group, RingEvent] = {}
        groups = {lit.event.id: lit.group for lit in self.held.values()}
        for event in worst_first(lit.event for lit in self.held.values()):
            worst.setdefault(groups[event.id], event)
        return [Lit(event, group) for group, event in worst.items()]

    def _is_true(self, group: Group) -> bool:
        """Tell whether what a message that had to wait says of its group is so still."""
        return self.wanted.send == "each" or self._has(group) == (self.wanted.send != "leave")

    def _has(self, group: Group) -> bool:
        return any(lit.group == group for lit in self.held.values())


def rule_of(wanted: OscMap, known: Known) -> Rule:
    """Return a mapping of the show file, ready to follow events.

    Raises
    ------
    BadTemplate
        If its address or an argument is none; a show file that has loaded holds no such mapping.
    """
    return Rule(wanted, known, address_of(wanted.address), tuple(map(argument_of, wanted.args)))
