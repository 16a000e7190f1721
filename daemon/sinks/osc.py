"""OSC out: every event, the flat addresses, heartbeat and health to any number of receivers.

The loop's thread only builds bytes and queues them; each receiver has a thread of its own
(`osc_sender.py`). What is sent when is in docs/osc.md.
"""

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from prehowl.daemon.alerts_now import AlertsNow
from prehowl.daemon.events import RingEvent
from prehowl.daemon.notes import Note
from prehowl.daemon.osc_map.fields import Known
from prehowl.daemon.osc_map.mapper import Mapper
from prehowl.daemon.rings_now import RingsNow
from prehowl.daemon.show import Show
from prehowl.daemon.show.osc_tables import OscMap, OscTarget
from prehowl.daemon.sinks.base import Snapshot
from prehowl.daemon.sinks.osc_alert import alert_datagram
from prehowl.daemon.sinks.osc_board import NO_ACT, Board, act_of, make_board
from prehowl.daemon.sinks.osc_bytes import Value
from prehowl.daemon.sinks.osc_link import PAUSE_FIRST_S, Resolve
from prehowl.daemon.sinks.osc_messages import (
    control_datagram,
    health_datagram,
    ring_datagram,
)
from prehowl.daemon.sinks.osc_ringout import ringout_values
from prehowl.daemon.sinks.osc_sender import Living, Sender
from prehowl.daemon.sinks.osc_stream import way_to

CLOSE_PATIENCE_S = 1.0


@dataclass(frozen=True)
class _Wish:
    """What one sender is to do; two that are equal are one."""

    target: OscTarget
    maps: tuple[OscMap, ...]

    def __hash__(self) -> int:
        return hash(self.target)


class OscSink:
    """Sends what happens to OSC receivers over UDP. A `Sink`."""

    def __init__(
        self,
        targets: Sequence[OscTarget],
        *,
        version: str,
        channels: Sequence[int] | None = None,
        resolve: Resolve | None = None,
        pause_first_s: float = PAUSE_FIRST_S,
        maps: Sequence[OscMap] = (),
        known: Known | None = None,
    ) -> None:
        """Prepare; nothing is looked up or sent before `start`.

        Parameters
        ----------
        targets : sequence of OscTarget
            From the show file or the command line.
        version : str
            Of the program, for the heartbeat.
        channels : sequence of int, optional
            Channel numbers that are watched, to be set to calm at start and end; default
            1, 2, ... as many as a snapshot shows.
        resolve : callable, optional
            In place of `socket.getaddrinfo`, for tests.
        pause_first_s : float
            First pause before a failed target is tried again, seconds; it doubles up to 30 s.
        maps : sequence of OscMap
            Mappings of the show file; one without `targets` is for all of them.
        known : Known, optional
            What the mappings' templates can speak of besides the rings.
        """
        self._version, self._resolve, self._pause_first_s = version, resolve, pause_first_s
        self._wishes, self._known = _wishes(targets, maps), known or Known()
        self._targets = tuple(targets)
        self._senders = tuple(map(self._sender, self._wishes))
        self._retired: list[Sender] = []
        self._rings = RingsNow()
        self._alerts = AlertsNow()  # not made anew by snapshots: it knows what was announced
        self._channels: set[int] = set(channels or ())
        self._is_told_channels = channels is not None
        self._board: Board = {}
        self._act, self._held = NO_ACT, frozenset[int]()
        self._ringout: Mapping[str, Value] | None = None
        self._device_state = ""
        self._is_closed = False

    def start(self) -> None:
        """Start one thread a target; names are looked up there, so this returns at once."""
        for sender in self._senders:
            sender.start()

    def take_show(self, targets: Sequence[OscTarget], maps: Sequence[OscMap], known: Known) -> None:
        """Go on with other receivers and mappings; those that stay the same notice nothing.

        One that is left out, or comes with other mappings, is set to calm and told goodbye. What
        the mappings can speak of besides the rings is taken by all, whoever stays.
        """
        wishes, self._known = _wishes(targets, maps), known
        kept: dict[_Wish, list[Sender]] = {}
        for wish, sender in zip(self._wishes, self._senders, strict=True):
            sender.know(known)
            kept.setdefault(wish, []).append(sender)
        senders = [kept[wish].pop(0) if kept.get(wish) else self._sender(wish) for wish in wishes]
        self._retire([sender for left in kept.values() for sender in left])
        for sender in senders:
            if sender not in self._senders:
                sender.start(after=[old for old in self._retired if old.place == sender.place])
                sender.put(Living(self._rings.worst_first()))  # its mappings know of none
        self._wishes, self._targets, self._senders = wishes, tuple(targets), tuple(senders)
        self._board = {}  # so that it is sent to all; each is told what it does not know yet
        self._device_state = ""

    def _retire(self, senders: Sequence[Sender]) -> None:
        """Let senders say goodbye in their own time; forget those that have."""
        calm = make_board((), self._channels, ringout=self._no_ringout())
        for sender in senders:
            sender.begin_close(calm)
        self._retired = [old for old in self._retired if not old.join(0)] + list(senders)

    def _sender(self, wish: "_Wish") -> Sender:
        way = way_to(wish.target, resolve=self._resolve, pause_first_s=self._pause_first_s)
        return Sender(wish.target, self._version, way, Mapper(wish.maps, self._known))

    def on_event(self, event: RingEvent) -> None:
        """Queue the event's record and what it changes on the flat addresses."""
        self._rings.take(event)
        self._channels.add(int(event.channel))
        news, wall_s = self._alerts.take(event), time.time()
        messages = {"ring": ring_datagram(event)}
        if news is not None:
            messages["alert"] = alert_datagram(news)
        for target, sender in zip(self._targets, self._senders, strict=True):
            sender.alive()
            sender.happen(event, wall_s)
            for group, message in messages.items():
                if group in target.messages:
                    sender.put(message)
        self._put_board(self._rings.worst_first())

    def on_note(self, note: Note) -> None:
        """Queue what was asked of the watch and what came of it."""
        message = control_datagram(note)
        for target, sender in zip(self._targets, self._senders, strict=True):
            if "control" in target.messages:
                sender.put(message)

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Take the living rings and the health as they are now."""
        if not self._is_told_channels:
            self._channels.update(range(1, len(snapshot.level_dbfs) + 1))
        self._rings = RingsNow()
        for ring in snapshot.rings:
            self._rings.take(ring)
        self._act, self._held = act_of(snapshot), snapshot.held
        message = health_datagram(snapshot.health)
        state = snapshot.health.source.state
        for sender in self._senders:
            sender.alive()
            sender.live(snapshot.rings)
            sender.set_health(message, at_once=state != self._device_state)
        self._device_state = state
        self._put_board(snapshot.rings)

    def show_ringout(self, values: Mapping[str, Value]) -> None:
        """Take what a ring-out shows; from the loop's thread, as all calls."""
        self._ringout = values
        self._put_board(self._rings.worst_first())

    def target_health(self) -> tuple[tuple[str, str], ...]:
        """Return each target's name with "ok" or what is wrong. Callable from any thread."""
        return tuple(
            (target.label, sender.text())
            for target, sender in zip(self._targets, self._senders, strict=True)
        )

    def dropped(self) -> tuple[tuple[str, int], ...]:
        """Return each target's name with the number of ring messages that never left."""
        return tuple(
            (target.label, sender.dropped)
            for target, sender in zip(self._targets, self._senders, strict=True)
        )

    def close(self) -> None:
        """Send what is queued, set every channel to calm, say goodbye; at most one second."""
        if self._is_closed:
            return
        self._is_closed = True
        calm = make_board((), self._channels, ringout=self._no_ringout())
        for sender in self._senders:
            sender.begin_close(calm)
        deadline_s = time.monotonic() + CLOSE_PATIENCE_S
        for sender in (*self._senders, *self._retired):
            # A thread that still waits for a name server is a daemon thread: it ends with us.
            sender.join(deadline_s - time.monotonic())

    def _no_ringout(self) -> Mapping[str, Value] | None:
        """Return what says that the ring-out is over, where there was one."""
        return None if self._ringout is None else ringout_values(None)

    def _put_board(self, rings: Sequence[RingEvent]) -> None:
        if self._is_closed:
            return
        board = make_board(
            rings, self._channels, act=self._act, held=self._held, ringout=self._ringout
        )
        if board == self._board:
            return
        self._board = board
        for sender in self._senders:
            sender.put(board)


def _wishes(targets: Sequence[OscTarget], maps: Sequence[OscMap]) -> tuple[_Wish, ...]:
    """Return what each target's sender is to do."""
    names = [target.label for target in targets]
    found = []
    for target in targets:
        own = tuple(wanted for wanted in maps if target.label in (wanted.targets or names))
        found.append(_Wish(target, own))
    return tuple(found)


def known_of(show: Show) -> Known:
    """Return what mappings can speak of besides the rings."""
    kinds = {channel.number: channel.kind for channel in show.channels}
    return Known(kinds, show.stage.title)


def sink_for(show: Show, *, version: str, channels: Sequence[int] | None = None) -> OscSink:
    """Return the sink for a show's receivers with its mappings."""
    known = known_of(show)
    return OscSink(show.osc, version=version, channels=channels, maps=show.maps, known=known)
