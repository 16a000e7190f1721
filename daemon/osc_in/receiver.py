"""The socket that takes OSC in, with its thread: datagrams in, commands out, everything counted.

Whatever comes, the thread lives on: a datagram that is no command changes a counter and nothing
else. Commands wait in a bounded queue until the loop takes them; a full queue refuses the newest.
"""

import contextlib
import socket
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from prehowl.daemon.errors import NetworkError
from prehowl.daemon.osc_in.allow import AllowList
from prehowl.daemon.osc_in.decode import MOST_BYTES, Malformed, Message, messages_in
from prehowl.daemon.osc_in.flood import FloodGuard
from prehowl.daemon.osc_in.verbs import Command, Refused, Verb, command_from

QUEUE_LENGTH = 64
LOOK_S = 0.2
"""How often the thread looks whether it should end."""

Sender = tuple[Any, ...]
"""Address of a sender as the socket gives it."""


def _nobody_asks(_message: Message, _sender: Sender) -> bool:
    """Stand in where nothing but verbs is taken."""
    return False


@dataclass(slots=True)
class Counts:
    """What became of the datagrams and messages that came in."""

    datagrams: int = 0
    taken: int = 0  # messages that became a command, a subscription, or a button's release
    not_allowed: int = 0  # datagrams from a sender who is not on the list
    flooded: int = 0  # datagrams beyond what the `FloodGuard` lets in, not looked at
    malformed: int = 0  # datagrams that are no OSC
    empty: int = 0  # bundles without a message
    unknown_address: int = 0  # messages, from here on
    wrong_types: int = 0
    out_of_range: int = 0
    not_wanted: int = 0  # verbs that the show file does not let in
    queue_full: int = 0
    no_place: int = 0  # screens that came when as many as may were attached

    @property
    def refused(self) -> int:
        """Number of all that was not taken."""
        return (
            self.not_allowed
            + self.flooded
            + self.malformed
            + self.empty
            + self.unknown_address
            + self.wrong_types
            + self.out_of_range
            + self.not_wanted
            + self.queue_full
            + self.no_place
        )


@dataclass(slots=True)
class Inbox:
    """Datagrams to commands, without a socket: `take_in` on one thread, `take` on another."""

    allow: AllowList
    verbs: frozenset[Verb] = frozenset(Verb)
    ask: Callable[[Message, Sender], bool] = _nobody_asks
    counts: Counts = field(default_factory=Counts)
    _queue: deque[Command] = field(default_factory=deque)

    def take_in(self, datagram: bytes, sender: Sender) -> int:
        """Count one datagram and queue the commands in it. Never raises for what it holds.

        Returns how many bytes had to be read: none of a stranger's.
        """
        self.counts.datagrams += 1
        if not self.allow.has(sender[0]):
            self.counts.not_allowed += 1
            return 0
        try:
            messages = messages_in(datagram)
        except Malformed:
            self.counts.malformed += 1
            return len(datagram)
        self.counts.empty += not messages
        for message in messages:
            self._take_message(message, sender)
        return len(datagram)

    def take(self) -> list[Command]:
        """Return the commands that wait, oldest first; each is handed out once."""
        commands = []
        with contextlib.suppress(IndexError):
            while True:
                commands.append(self._queue.popleft())
        return commands

    def _take_message(self, message: Message, sender: Sender) -> None:
        try:
            if self.ask(message, sender):
                self.counts.taken += 1
                return
            command = command_from(message, f"osc {sender[0]}")
        except Refused as refusal:
            count = getattr(self.counts, refusal.reason)
            setattr(self.counts, refusal.reason, count + 1)
            return
        if command is None:
            self.counts.taken += 1
        elif command.verb not in self.verbs:
            self.counts.not_wanted += 1
        elif len(self._queue) >= QUEUE_LENGTH:
            self.counts.queue_full += 1
        else:
            self.counts.taken += 1
            self._queue.append(command)


class Receiver:
    """Listens on one UDP port and hands its datagrams to an `Inbox`.

    Parameters
    ----------
    host, port
        Where to listen; ``127.0.0.1`` is this computer only. Port 0 takes any free one.
    allow : sequence of str
        Addresses and networks that may send; empty: this computer only.
    verbs : sequence of str
        Verbs that are let in; default all.
    ask : callable, optional
        Asked first about each message, on the receiver's thread, with the sender's address;
        True means that the message was its own, `Refused` that it was, but no good.
    """

    def __init__(
        self,
        host: str,
        port: int,
        *,
        allow: Sequence[str] = (),
        verbs: Sequence[str] = tuple(Verb),
        ask: Callable[[Message, Sender], bool] = _nobody_asks,
    ) -> None:
        self._host, self._asked_port = host, port
        self.inbox = Inbox(AllowList(allow), frozenset(Verb(word) for word in verbs), ask)
        self._stop = threading.Event()
        self._socket: socket.socket | None = None
        self._thread = threading.Thread(target=self._run, name="osc in", daemon=True)

    def start(self) -> None:
        """Open the port and begin to listen.

        Raises
        ------
        NetworkError
            If the port cannot be had.
        """
        self._socket = _bound(self._host, self._asked_port)
        self._thread.start()

    @property
    def port(self) -> int:
        """Return the port that is listened on; 0 before `start` and after `close`."""
        return 0 if self._socket is None else int(self._socket.getsockname()[1])

    @property
    def where(self) -> str:
        """Return host and port, for people."""
        return f"{self._host}:{self.port or self._asked_port}"

    @property
    def counts(self) -> Counts:
        """Return what became of all that came in."""
        return self.inbox.counts

    def take(self) -> list[Command]:
        """Return the commands that wait, oldest first; returns at once."""
        return self.inbox.take()

    def answer(self, datagram: bytes, to: Sender) -> bool:
        """Send from the port that is listened on; tell whether it left. From any thread."""
        way = self._socket
        try:
            return way is not None and way.sendto(datagram, to) == len(datagram)
        except OSError:
            return False

    def close(self) -> None:
        """Stop listening; may come twice."""
        self._stop.set()
        if self._thread.ident is not None:
            self._thread.join(1.0)
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _run(self) -> None:
        assert self._socket is not None  # `start` has opened it
        guard = FloodGuard()
        while not self._stop.is_set():
            try:
                datagram, sender = self._socket.recvfrom(MOST_BYTES + 4)
            except TimeoutError:
                continue
            except OSError:  # a refusal of something we answered; on a closed socket we end soon
                self._stop.wait(0.01)
                continue
            if not guard.lets_in(time.monotonic()):
                self.counts.datagrams += 1
                self.counts.flooded += 1
                # The system throws away what does not fit its own queue: the cheapest refusal.
                self._stop.wait(0.001)
                continue
            guard.spend(self.inbox.take_in(datagram, sender))


def _bound(host: str, port: int) -> socket.socket:
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(
            host, port, type=socket.SOCK_DGRAM, flags=socket.AI_PASSIVE
        )[0]
        way = socket.socket(family, kind, protocol)
    except (OSError, UnicodeError) as fault:
        raise NetworkError(
            f"OSC in: cannot listen on {host!r} ({getattr(fault, 'strerror', None) or fault}). "
            "Name an address of this computer, or 127.0.0.1"
        ) from None
    try:
        way.settimeout(LOOK_S)
        way.bind(address)
    except OSError as fault:
        way.close()
        raise NetworkError(
            f"OSC in: cannot listen on {host}:{port} ({fault.strerror}). "
            "Is another prehowl or app using that port? Choose another, or end it"
        ) from None
    return way
