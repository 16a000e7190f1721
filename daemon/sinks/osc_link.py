"""The way to one receiver: name, socket, failures and when to try again. Used by one thread.

UDP says little: a name that does not resolve, a network that is down, and, through a connected
socket, a machine that answers 'nothing listens on that port'. All of that ends up in `text`, for
a person; nothing here raises for a receiver's fault.
"""

import select
import socket
import time
from collections.abc import Callable
from typing import Any

Resolve = Callable[..., list[tuple[Any, Any, Any, Any, Any]]]

PAUSE_FIRST_S = 1.0
PAUSE_LONGEST_S = 30.0
REFUSED_FOR_S = 2.5
"""How long a refusal counts: longer than a heartbeat, so that a deaf receiver does not blink."""
LOOK_AGAIN_S = 10.0
"""A receiver that refuses for longer may have another address by now."""
FULL_PATIENCE_S = 0.05
LOOKING_UP = "looking up the host name"
"""What a link says before it knows more."""


class Link:
    """Datagrams to one host and port; the name is resolved once, and again after failures."""

    def __init__(
        self,
        host: str,
        port: int,
        *,
        resolve: Resolve | None = None,
        pause_first_s: float = PAUSE_FIRST_S,
    ) -> None:
        self.opened = 0  # times a way was found: who sees it change starts from scratch
        self.sent = 0
        self.failed = 0
        self._host, self._port = host, port
        self._resolve = resolve or socket.getaddrinfo
        self._pause_first_s = pause_first_s
        self._pause_s = pause_first_s
        self._retry_at_s = 0.0
        self._socket: socket.socket | None = None
        self._opened_at_s = 0.0
        self._refused_at_s: float | None = None
        self._fault = LOOKING_UP

    def text(self) -> str:
        """Return "ok" or what is wrong, for a person. Callable from any thread."""
        refused_at_s = self._refused_at_s
        if self._fault:
            return self._fault
        if refused_at_s is not None and time.monotonic() - refused_at_s < REFUSED_FOR_S:
            return f"nothing listens on {self._host} port {self._port}: is the receiver's app open?"
        return "ok"

    def open(self) -> bool:
        """Find the way if there is none and it is time to try; tell whether there is one."""
        if self._socket is None and time.monotonic() >= self._retry_at_s:
            try:
                self._socket = self._connected()
            except (OSError, UnicodeError) as fault:  # UnicodeError: no possible host name
                self._give_up(fault)
            else:
                self.opened += 1
                self._opened_at_s = time.monotonic()
                self._pause_s = self._pause_first_s
                self._fault = ""
        return self._socket is not None

    def send(self, datagram: bytes) -> bool:
        """Send one datagram; tell whether it left. Never raises for the network's sake."""
        left = self.open() and self._send(datagram)
        self.sent += left
        self.failed += not left
        return left

    def close(self) -> None:
        """Let go of the socket."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _connected(self) -> socket.socket:
        """Return a socket for the first address that takes a connection."""
        last: OSError = OSError("no address")
        for family, kind, protocol, _, address in self._resolve(
            self._host, self._port, type=socket.SOCK_DGRAM
        ):
            way = socket.socket(family, kind, protocol)
            try:
                way.setblocking(False)
                way.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
                way.connect(address)
            except OSError as fault:
                way.close()
                last = fault
            else:
                return way
        raise last

    def _send(self, datagram: bytes) -> bool:
        """Try twice: the first try may only deliver the refusal of an earlier datagram."""
        for _ in range(2):
            if self._socket is None:
                return False
            try:
                self._socket.send(datagram)
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

    def _give_up(self, fault: Exception) -> None:
        self.close()
        self._retry_at_s = time.monotonic() + self._pause_s
        what = getattr(fault, "strerror", None) or str(fault)
        if isinstance(fault, socket.gaierror | UnicodeError):
            what = f"host name {self._host!r} does not resolve ({what})"
        self._fault = f"{what}; trying again every {self._pause_s:g} s"
        self._pause_s = min(2 * self._pause_s, PAUSE_LONGEST_S)
