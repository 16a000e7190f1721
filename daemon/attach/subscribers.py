"""The daemon's side: who is attached and until when, and a thread that tells them all.

Without subscribers a snapshot costs one look at an empty table. With some, the newest snapshot is
turned into packets once for all of them, a few times a second, in a thread of its own.
"""

import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from prehowl.daemon.attach.wire import FULL, LEAVE, SUBSCRIBE, Shown, show_packets, view_packets
from prehowl.daemon.events import RingEvent
from prehowl.daemon.notes import Note
from prehowl.daemon.osc_in.decode import Message
from prehowl.daemon.osc_in.verbs import Refused
from prehowl.daemon.sinks.base import Snapshot
from prehowl.daemon.sinks.dashboard.rows import weak_rows
from prehowl.daemon.sinks.osc_messages import (
    BYE,
    CONTRACT_VERSION,
    control_datagram,
    datagram,
    ring_datagram,
)

MOST_SUBSCRIBERS = 16
LONGEST_S = 60
VIEW_S = 0.2
SLOW_VIEW_S = 0.5
"""Where the analysis needs the computer."""
SHOW_S = 5.0
QUEUE_LENGTH = 512
SEQUENCE_HIGH = 2**31
CLOSE_S = 0.5

Address = tuple[Any, ...]
Answer = Callable[[bytes, Address], bool]


@dataclass(slots=True)
class _Subscriber:
    until_s: float
    name: str


class Subscribers:
    """Those who are attached. A `Sink`, and the receiver's `ask`.

    Parameters
    ----------
    title, version : str
        Of the show and the program, for the screens.
    numbers : sequence of int
        Channel number of each row.
    names : sequence of str
        Channel names by row, until a snapshot brings others.
    answer : callable
        Sends a packet to an address: `Receiver.answer`.
    """

    def __init__(
        self,
        *,
        title: str,
        version: str,
        numbers: Sequence[int],
        names: Sequence[str],
        answer: Answer,
    ) -> None:
        self.dropped = 0  # events and notes that were queued too fast to be sent
        self._shown = Shown(title, version, tuple(numbers), tuple(names))
        self._answer = answer
        self._news = threading.Condition()
        self._subscribers: dict[Address, _Subscriber] = {}
        self._queue: deque[bytes] = deque(maxlen=QUEUE_LENGTH)
        self._view_s = VIEW_S
        self._snapshot: Snapshot | None = None
        self._show_at_s = 0.0
        self._view_at_s = 0.0
        self._sequence = 0
        self._is_closing = False
        self._thread = threading.Thread(target=self._run, name="attach", daemon=True)

    def __len__(self) -> int:
        """Return how many are attached."""
        return len(self._subscribers)

    def start(self) -> None:
        """Start the thread."""
        self._thread.start()

    def ask(self, message: Message, sender: Address) -> bool:
        """Take a subscription, on the receiver's thread; False if the message is none.

        Raises
        ------
        Refused
            If it is one with other types or values than documented, or all places are taken.
        """
        if message.address == LEAVE.address:
            with self._news:
                self._subscribers.pop(sender, None)
            return True
        if message.address != SUBSCRIBE.address:
            return False
        if f",{message.tags}" != SUBSCRIBE.tags:
            raise Refused("wrong_types", f"{message.address} takes {SUBSCRIBE.tags}")
        contract, seconds, name = message.arguments
        assert isinstance(seconds, int)  # the tags say so
        if contract != CONTRACT_VERSION or not 1 <= seconds <= LONGEST_S:
            raise Refused("out_of_range", f"contract {CONTRACT_VERSION}, 1 to {LONGEST_S} s")
        if not self._subscribe(sender, time.monotonic() + seconds, str(name)[:40]):
            self._answer(datagram(FULL, (MOST_SUBSCRIBERS,)), sender)
            raise Refused("no_place", f"{MOST_SUBSCRIBERS} screens are attached")
        return True

    def on_event(self, event: RingEvent) -> None:
        """Queue the event for those who are attached."""
        if self._subscribers:
            self._put(ring_datagram(event))

    def on_note(self, note: Note) -> None:
        """Queue the note for those who are attached."""
        if self._subscribers:
            self._put(control_datagram(note))

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Keep the newest snapshot; it is sent when the next view is due."""
        self._snapshot = snapshot
        if self._subscribers and time.monotonic() >= self._view_at_s:
            with self._news:
                self._news.notify()

    def draw_slowly(self, is_slow: bool) -> None:
        """Send views less often from now on, or as usual."""
        self._view_s = SLOW_VIEW_S if is_slow else VIEW_S

    def close(self) -> None:
        """Say goodbye to all; at most half a second."""
        with self._news:
            self._is_closing = True
            self._news.notify()
        if self._thread.ident is not None:
            self._thread.join(CLOSE_S)

    def _subscribe(self, sender: Address, until_s: float, name: str) -> bool:
        """Take or renew a subscription; False where there is no place for it."""
        with self._news:
            known = self._subscribers.get(sender)
            if known is not None:
                known.until_s = until_s
            elif len(self._subscribers) >= MOST_SUBSCRIBERS:
                return False
            else:
                self._subscribers[sender] = _Subscriber(until_s, name)
                self._show_at_s = 0.0
                self._news.notify()
            return True

    def _put(self, packet: bytes) -> None:
        with self._news:
            self.dropped += len(self._queue) == QUEUE_LENGTH
            self._queue.append(packet)
            self._news.notify()

    def _run(self) -> None:
        while not self._is_closing:
            with self._news:
                if not self._queue:
                    self._news.wait(self._view_s if self._subscribers else 1.0)
                pending = [self._queue.popleft() for _ in range(len(self._queue))]
                self._let_go(time.monotonic())
            self._tell(pending)
            self._tell_show_and_view(time.monotonic())
        self._tell([*self._queue, datagram(BYE, (self._sequence, self._shown.version))])

    def _let_go(self, now_s: float) -> None:
        """Forget those whose time is over."""
        over = [who for who, them in self._subscribers.items() if them.until_s <= now_s]
        for who in over:
            del self._subscribers[who]

    def _tell_show_and_view(self, now_s: float) -> None:
        snapshot = self._snapshot
        if not self._subscribers or snapshot is None:
            return
        shown = _shown_now(self._shown, snapshot)
        if shown != self._shown:
            self._shown, self._show_at_s = shown, 0.0
        self._sequence = (self._sequence + 1) % SEQUENCE_HIGH
        if now_s >= self._show_at_s:
            self._show_at_s = now_s + SHOW_S
            self._tell(show_packets(self._shown, self._sequence))
        if now_s >= self._view_at_s:
            # A snapshot is sent once: silence must look like silence on the other side.
            self._view_at_s, self._snapshot = now_s + self._view_s, None
            self._tell(view_packets(snapshot, self._sequence))

    def _tell(self, packets: Sequence[bytes]) -> None:
        for who in tuple(self._subscribers):
            for packet in packets:
                self._answer(packet, who)


def _shown_now(shown: Shown, snapshot: Snapshot) -> Shown:
    """Return names and weak bands as they are in this act."""
    names = snapshot.names or shown.names
    weak = shown.weak
    if snapshot.weak_bands is not None:
        weak = weak_rows(snapshot.weak_bands, shown.numbers)
    return replace(shown, names=names, weak=weak)
