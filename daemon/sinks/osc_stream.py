"""The way to one receiver over TCP, as SLIP frames (OSC 1.1), and the choice between both ways.

A receiver that does not read fills its buffers; then the stream is given up and opened anew, since
a frame that was cut would spoil all that follow. What was not sent is counted by the sender.
"""

import socket
from typing import Any

from prehowl.daemon.show.osc_tables import OscTarget
from prehowl.daemon.sinks.osc_bytes import slip_frame
from prehowl.daemon.sinks.osc_link import PAUSE_FIRST_S, Link, Resolve, Way

CONNECT_S = 2.0
STALLED_S = 0.25
"""How long one frame may wait for room; the receiver's own thread waits, and nobody else."""

MOST_READS = 16
"""Reads at one go from a receiver that talks without end; the rest waits for the next packet."""


class StreamLink(Way):
    """SLIP frames over one TCP connection."""

    kind = socket.SOCK_STREAM

    def _prepare(self, way: socket.socket, address: Any) -> None:
        way.settimeout(CONNECT_S)
        way.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        way.connect(address)
        way.settimeout(STALLED_S)

    def _send(self, packet: bytes) -> bool:
        if self._socket is None:
            return False
        try:
            self._drain(self._socket)
            self._socket.sendall(slip_frame(packet))
        except TimeoutError:
            self._give_up(OSError("the receiver does not read: connection given up"))
        except OSError as fault:
            self._give_up(fault)
        else:
            return True
        return False

    @staticmethod
    def _drain(way: socket.socket) -> None:
        """Throw away what the receiver says; notice at once if it has hung up."""
        way.setblocking(False)
        try:
            for _ in range(MOST_READS):
                if not way.recv(65536):
                    raise ConnectionError("the receiver has hung up")
        except BlockingIOError:
            pass
        finally:
            way.settimeout(STALLED_S)


def way_to(
    target: OscTarget, *, resolve: Resolve | None = None, pause_first_s: float = PAUSE_FIRST_S
) -> Way:
    """Return the way to a target by its transport; nothing is looked up yet."""
    kind = StreamLink if target.transport == "tcp" else Link
    return kind(target.host, target.port, resolve=resolve, pause_first_s=pause_first_s)
