"""The way to one receiver: name, socket, failures and when to try again. Used by one thread.

UDP says little: a name that does not resolve, a network that is down, and, through a connected
socket, a machine that answers 'nothing listens on that port'. All of that ends up in `text`, for
a person; nothing here raises for a receiver's fault. TCP is in `osc_stream.py`.
"""

import select
import socket
import threading
import time
from abc import ABC, abstractmethod
from collections.abc import Callable
from typing import Any

Resolve = Callable[..., list[tuple[Any, Any, Any, Any, Any]]]

PAUSE_FIRST_S = 1.0
PAUSE_LONGEST_S = 30.0
REFUSED_FOR_S = 2.5
"""How long a refusal counts: longer than a heartbeat, so that a deaf receiver does not blink."""
LOOK_AGAIN_S = 10.0
"""A receiver that refuses for longer may have another address by now."""
REFRESH_S = 60.0
"""How often a name is looked up again behind a way that works: a tablet may get a new address."""
FULL_PATIENCE_S = 0.05
LOOKING_UP = "looking up the host name"
"""What a link says before it knows more."""


class Way(ABC):
    """Packets to one host and port; the name is resolved once, and again after failures."""

    kind = socket.SOCK_DGRAM

    def __init__(
        self,
        host: str,
        port: int,
        *,
        resolve: Resolve | None = None,
        pause_first_s: float = PAUSE_FIRST_S,
        refresh_s: float = REFRESH_S,
    ) -> None:
        self.opened = 0  # times a way was found: who sees it change starts from scratch
        self.sent = 0
        self.failed = 0
        self._host, self._port = host, port
        self._resolve = resolve or socket.getaddrinfo
        self._pause_first_s = pause_first_s
        self._pause_s = pause_first_s
        self._retry_at_s = 0.0
        self._refresh = _Refresh(self._found, refresh_s)
        self._socket: socket.socket | None = None
        self._address: Any = None
        self._opened_at_s = 0.0
        self._fault = LOOKING_UP

    def text(self) -> str:
        """Return "ok" or what is wrong, for a person. Callable from any thread."""
        return self._fault or "ok"

    def open(self) -> bool:
        """Find the way if there is none and it is time to try; tell whether there is one."""
        if self._socket is not None and self._refresh.has_moved_from(self._address):
            self.close()
        if self._socket is None and time.monotonic() >= self._retry_at_s:
            try:
                self._socket, self._address = self._connected()
            except (OSError, UnicodeError) as fault:  # UnicodeError: no possible host name
                self._give_up(fault)
            else:
                self.opened += 1
                self._opened_at_s = time.monotonic()
                self._pause_s = self._pause_first_s
                self._fault = ""
                self._refresh.begin()
        return self._socket is not None

    def send(self, packet: bytes) -> bool:
        """Send one packet; tell whether it left. Never raises for the network's sake."""
        left = self.open() and self._send(packet)
        self.sent += left
        self.failed += not left
        return left

    def close(self) -> None:
        """Let go of the socket."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    @abstractmethod
    def _send(self, packet: bytes) -> bool:
        """Send on the open socket; tell whether it left."""

    @abstractmethod
    def _prepare(self, way: socket.socket, address: Any) -> None:
        """Connect a fresh socket."""

    def _found(self) -> list[tuple[Any, Any, Any, Any, Any]]:
        return self._resolve(self._host, self._port, type=self.kind)

    def _connected(self) -> tuple[socket.socket, Any]:
        """Return a socket for the first address that takes a connection, and the address."""
        last: OSError = OSError("no address")
        for family, kind, protocol, _, address in self._found():
            way = socket.socket(family, kind, protocol)
            try:
                self._prepare(way, address)
            except OSError as fault:
                way.close()
                last = fault
            else:
                return way, address
        raise last

    def _give_up(self, fault: Exception) -> None:
        self.close()
        self._retry_at_s = time.monotonic() + self._pause_s
        what = getattr(fault, "strerror", None) or str(fault)
        if isinstance(fault, socket.gaierror | UnicodeError):
            what = f"host name {self._host!r} does not resolve ({what})"
        self._fault = f"{what}; trying again every {self._pause_s:g} s"
        self._pause_s = min(2 * self._pause_s, PAUSE_LONGEST_S)


class Link(Way):
    """Datagrams over UDP."""

    _refused_at_s: float | None = None

    def text(self) -> str:
        """Return "ok" or what is wrong, for a person. Callable from any thread."""
        refused_at_s = self._refused_at_s
        if self._fault:
            return self._fault
        if refused_at_s is not None and time.monotonic() - refused_at_s < REFUSED_FOR_S:
            return f"nothing listens on {self._host} port {self._port}: is the receiver's app open?"
        return "ok"

    def _prepare(self, way: socket.socket, address: Any) -> None:
        way.setblocking(False)
        way.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
        way.connect(address)

    def _send(self, packet: bytes) -> bool:
        """Try twice: the first try may only deliver the refusal of an earlier datagram."""
        for _ in range(2):
            if self._socket is None:
                return False
            try:
                self._socket.send(packet)
            except ConnectionRefusedError:
                self._note_refusal()
            except BlockingIOError:
                select.select([], [self._socket], [], FULL_PATIENCE_S)
            except OSError as fault:
                self._give_up(fault)
                return False
            else:
                return True
        return False

    def _note_refusal(self) -> None:
        now_s = time.monotonic()
        self._refused_at_s = now_s
        if now_s - self._opened_at_s > LOOK_AGAIN_S:
            self.close()
            self.open()


class _Refresh:
    """Looks a name up again now and then, in a thread of its own: it can take half a minute."""

    def __init__(self, look_up: Callable[[], list[Any]], every_s: float) -> None:
        self._look_up, self._every_s = look_up, every_s
        self._next_s = float("inf")
        self._found: tuple[Any, ...] | None = None
        self._thread: threading.Thread | None = None

    def begin(self) -> None:
        """Start to wait: the name has just been looked up."""
        self._found = None
        self._next_s = time.monotonic() + self._every_s

    def has_moved_from(self, address: Any) -> bool:
        """Tell whether the last look-up has not found the address any more; start one if due."""
        found = self._found
        if time.monotonic() >= self._next_s and (
            self._thread is None or not self._thread.is_alive()
        ):
            self._next_s = time.monotonic() + self._every_s
            self._thread = threading.Thread(target=self._look, name="osc name", daemon=True)
            self._thread.start()
        return found is not None and address not in found

    def _look(self) -> None:
        try:
            self._found = tuple(way[4] for way in self._look_up())
        except (OSError, UnicodeError):
            self._found = None  # the name server is away: what worked goes on
