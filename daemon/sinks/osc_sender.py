"""The thread that serves one receiver: bounded queue in, packets out, heartbeat in between.

One thread a receiver, since looking up a name can take half a minute, and one receiver's trouble
must not be another's. The queue loses its oldest entries when full: a board is the whole picture,
so losing an old one harms nobody; lost ring messages are counted.
"""

import threading
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from prehowl.daemon.events import RingEvent
from prehowl.daemon.osc_map.fields import Known
from prehowl.daemon.osc_map.mapper import Mapper
from prehowl.daemon.show.osc_tables import OscTarget
from prehowl.daemon.sinks.osc_board import GROUP_OF, Board
from prehowl.daemon.sinks.osc_bytes import Value
from prehowl.daemon.sinks.osc_link import Way
from prehowl.daemon.sinks.osc_messages import (
    BYE,
    CONTRACT_VERSION,
    HEARTBEAT,
    datagram,
    flat_datagram,
)
from prehowl.daemon.sinks.words import counted, printable


@dataclass(frozen=True, slots=True)
class Happening:
    """One event for the mappings, with the wall time at which it came."""

    event: RingEvent
    wall_s: float


@dataclass(frozen=True, slots=True)
class Living:
    """All living rings, to set the mappings right after events were lost."""

    rings: tuple[RingEvent, ...]


Item = bytes | Board | Happening | Living
QUEUE_LENGTH = 2048  # a burst of 64 channels in every state, twice, with their alerts
BEAT_S = 1.0
ALIVE_S = 2.0
"""The heartbeat means 'the analysis is alive': without news from the loop for so long it stops."""
LOOK_S = 0.1
"""How often to look whether the analysis has come alive."""
DROP_NEWS_S = 10.0
BYE_PATIENCE_S = 0.5
FAULT_PAUSE_S = 0.01
"""After a fault of our own, so that one which comes at every try does not take a whole core."""
SEQUENCE_HIGH = 2**31


class Sender:
    """Takes datagrams and boards from the loop, sends them to one target from its own thread."""

    def __init__(
        self, target: OscTarget, version: str, link: Way, mapper: Mapper | None = None
    ) -> None:
        self.dropped = 0  # ring messages lost here: queue full, or no way to the receiver
        self._target, self._version, self._link = target, version, link
        self._mapper = mapper or Mapper((), Known())
        self._known: Known | None = None  # the newest; the mapper takes it with the next entry
        self._taken: Known | None = None
        self._has_missed = False  # events that the mappings should have seen
        self._queue: deque[Item] = deque()
        self._news = threading.Condition()
        self._is_closing = False
        self._alive_at_s = float("-inf")
        self._dropped_at_s = float("-inf")
        self._health: bytes = b""
        self._fault = ""  # of our own; stays until the sender is made anew
        self._board: Board = {}
        self._last: Board = {}
        self._seen: dict[str, Value] = {}  # address -> what the receiver was last told
        self._way = 0  # the link's `opened` that `_seen` belongs to
        self._before: tuple[Sender, ...] = ()
        self._sequence = 0
        self._is_beating = False
        self._next_beat_s = 0.0
        self._thread = threading.Thread(target=self._run, name=f"osc {target.label}", daemon=True)

    def start(self, *, after: Sequence["Sender"] = ()) -> None:
        """Start the thread; it begins when those before it have said goodbye, or soon after."""
        self._before = tuple(after)
        self._thread.start()

    @property
    def place(self) -> tuple[str, int]:
        """Host and port that it sends to."""
        return self._target.host, self._target.port

    def know(self, known: Known) -> None:
        """Let the mappings speak of this from now on. Returns at once."""
        self._known = known

    def happen(self, event: RingEvent, wall_s: float) -> None:
        """Queue an event for the mappings, if there are any. Returns at once."""
        if self._mapper:
            self.put(Happening(event, wall_s))

    def live(self, rings: tuple[RingEvent, ...]) -> None:
        """Queue the living rings, if the mappings have missed an event. Returns at once."""
        if self._has_missed:
            self._has_missed = False
            self.put(Living(rings))

    def put(self, item: Item) -> None:
        """Queue a ring's datagram or a board. Returns at once."""
        with self._news:
            if len(self._queue) >= QUEUE_LENGTH:
                self._overflow(self._queue.popleft())
            self._queue.append(item)
            self._news.notify()

    def set_health(self, message: bytes, *, at_once: bool) -> None:
        """Take the newest health message; it leaves with the heartbeat, or at once."""
        self._health = message
        if at_once and "health" in self._target.messages:
            self.put(message)

    def alive(self) -> None:
        """Note that the loop gave news."""
        self._alive_at_s = time.monotonic()

    def text(self) -> str:
        """Return "ok" or what is wrong with the target, for a person."""
        said = self._link.text()
        if said != "ok":
            return said
        if time.monotonic() - self._dropped_at_s < DROP_NEWS_S:
            return f"too slow: {counted(self.dropped, 'message')} dropped"
        return self._mapper.text() or self._fault or "ok"

    def begin_close(self, last: Board) -> None:
        """Ask the thread to send what is queued, then `last` in full and the farewell."""
        with self._news:
            self._is_closing = True
            self._last = last
            self._news.notify()

    def join(self, timeout_s: float) -> bool:
        """Wait for the thread; tell whether it ended."""
        if self._thread.ident is not None:
            self._thread.join(max(0.0, timeout_s))
        return not self._thread.is_alive()

    def _run(self) -> None:
        for sender in self._before:
            sender.join(BYE_PATIENCE_S)
        self._before = ()
        self._try(self._link.open)
        while (item := self._next_item()) is not None or not self._is_closing:
            if not self._try(self._do, item):
                self._miss(item)
            self._try(self._beat_if_due)
        self._try(self._let_go)
        self._try(self._say_bye)
        self._try(self._link.close)

    def _try(self, do: Callable[..., object], *what: object) -> bool:
        """Do one thing; tell whether it went well.

        A fault of ours is told as the target's health, and all else goes on: a receiver without
        heartbeat and goodbye would keep every lamp as it was, and the desk would say "ok".
        """
        try:
            do(*what)
        except Exception as fault:
            said = printable(f"{type(fault).__name__}: {fault}")
            self._fault = f"a fault of prehowl's own ({said}); something was not sent"
            time.sleep(FAULT_PAUSE_S)
            return False
        return True

    def _let_go(self) -> None:
        self._send_mapped(self._mapper.rest(time.time(), time.monotonic()))

    def _do(self, item: Item | None) -> None:
        """Do what one entry asks for, then what the mappings have due."""
        now_s, wall_s = time.monotonic(), time.time()
        self._take_known(wall_s, now_s)
        if isinstance(item, bytes):
            self.dropped += not self._link.send(item)
        elif isinstance(item, Happening):
            self._mapper.take(item.event, item.wall_s, now_s)
        elif isinstance(item, Living):
            self._mapper.reconcile(item.rings, wall_s, now_s)
        elif item is not None:
            self._board = item
            self._send_changes()
        if self._mapper.next_s() <= now_s:
            is_alive = now_s - self._alive_at_s <= ALIVE_S
            self._send_mapped(self._mapper.due(wall_s, now_s, is_alive=is_alive))

    def _take_known(self, wall_s: float, now_s: float) -> None:
        known = self._known
        if known is not None and known is not self._taken:
            self._mapper.take_known(known, wall_s, now_s)
            self._taken = known

    def _send_mapped(self, packets: list[bytes]) -> None:
        for packet in packets:
            self.dropped += not self._link.send(packet)

    def _next_item(self) -> Item | None:
        """Return the next entry, or None after waiting until something is due, or when closing."""
        with self._news:
            if not self._queue and not self._is_closing:
                due_s = min(self._next_beat_s, self._mapper.next_s())
                self._news.wait(max(0.0, due_s - time.monotonic()))
            return self._queue.popleft() if self._queue else None

    def _beat_if_due(self) -> None:
        now_s = time.monotonic()
        is_alive = now_s - self._alive_at_s <= ALIVE_S
        if now_s < self._next_beat_s and self._is_beating == is_alive:
            return
        self._link.open()
        if not is_alive:
            self._is_beating = False
            self._next_beat_s = now_s + LOOK_S
            return
        if not self._is_beating:
            self._is_beating = True
            self._next_beat_s = now_s
        # On a fixed grid, so that a receiver sees one a second; after a delay a new grid.
        self._next_beat_s = max(self._next_beat_s + BEAT_S, now_s + BEAT_S / 2)
        self._beat()

    def _beat(self) -> None:
        self._sequence = (self._sequence + 1) % SEQUENCE_HIGH
        if "heartbeat" in self._target.messages:
            self._link.send(datagram(HEARTBEAT, (self._sequence, self._version, CONTRACT_VERSION)))
        if "health" in self._target.messages and self._health:
            self._link.send(self._health)
        self._forget_some()
        self._send_changes()

    def _forget_some(self) -> None:
        """Forget what the receiver knows of the channels whose turn it is to be repeated."""
        every = self._target.repeat_s  # seconds, and so beats
        for number, values in self._board.items():
            if every and (number + self._sequence) % every == 0:
                self._forget(values)

    def _forget(self, values: Mapping[str, Value]) -> None:
        for address in values:
            self._seen.pop(address, None)

    def _send_changes(self) -> None:
        if not self._link.open():
            return
        if self._way != self._link.opened:
            self._seen.clear()
            self._way = self._link.opened
        for number, values in self._board.items():
            if GROUP_OF.get(number, "channel") in self._target.messages:
                self._send_values(values)

    def _send_values(self, values: Mapping[str, Value]) -> None:
        for address, value in values.items():
            if self._seen.get(address) != value and self._link.send(flat_datagram(address, value)):
                self._seen[address] = value

    def _say_bye(self) -> None:
        self._board = self._last
        self._seen.clear()  # in full: this is the last chance to correct what was lost on the way
        self._send_changes()
        if "heartbeat" in self._target.messages:
            self._link.send(datagram(BYE, (self._sequence, self._version)))

    def _overflow(self, item: Item) -> None:
        if self._miss(item):
            self._dropped_at_s = time.monotonic()

    def _miss(self, item: Item | None) -> bool:
        """Note that an entry came to nothing; tell whether that is a message less."""
        if isinstance(item, Happening | Living):
            self._has_missed = True
        is_lost = isinstance(item, bytes | Happening)
        self.dropped += is_lost
        return is_lost
