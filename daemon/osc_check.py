"""Are the OSC receivers there, as far as UDP can tell, and a test alert to all of them.

UDP has no answer. What can be seen: whether the name resolves, whether the network takes the
datagram, and whether the other machine says 'nothing listens on that port' within a moment.
"""

import socket
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass

from prehowl.daemon.events import RingEvent
from prehowl.daemon.show import Show
from prehowl.daemon.show.osc_tables import OscTarget
from prehowl.daemon.show.tables import Channel
from prehowl.daemon.sinks.osc import OscSink, sink_for
from prehowl.daemon.sinks.osc_link import Resolve
from prehowl.daemon.sinks.osc_messages import CHECK, datagram
from prehowl.detectors.rings import RingState

LOOK_UP_S = 3.0
REFUSAL_S = 0.3
"""How long to wait for a refusal; a machine on the same network answers within milliseconds."""
TEST_HOLD_S = 2.0


@dataclass(frozen=True, slots=True)
class TargetFound:
    """What could be seen of one receiver."""

    name: str
    host: str
    port: int
    address: str | None  # what the host name resolved to
    ok: bool
    text: str


def look_at_targets(
    targets: Sequence[OscTarget], *, resolve: Resolve | None = None
) -> tuple[TargetFound, ...]:
    """Return what can be seen of each receiver; all are asked at the same time."""
    found: dict[int, TargetFound] = {}

    def look(i: int, target: OscTarget) -> None:
        found[i] = look_at(target, resolve=resolve)

    threads = [
        threading.Thread(target=look, args=(i, target), daemon=True)
        for i, target in enumerate(targets)
    ]
    for thread in threads:
        thread.start()
    deadline_s = time.monotonic() + LOOK_UP_S + 2 * REFUSAL_S
    for thread in threads:
        thread.join(max(0.0, deadline_s - time.monotonic()))
    seen = dict(found)
    return tuple(seen.get(i) or _too_slow(target) for i, target in enumerate(targets))


def look_at(target: OscTarget, *, resolve: Resolve | None = None) -> TargetFound:
    """Resolve the name, try the port, and wait a moment for a refusal."""
    is_stream = target.transport == "tcp"
    kind = socket.SOCK_STREAM if is_stream else socket.SOCK_DGRAM
    try:
        ways = (resolve or socket.getaddrinfo)(target.host, target.port, type=kind)
        family, kind_found, protocol, _, address = ways[0]
    except (OSError, UnicodeError, IndexError) as fault:
        why = getattr(fault, "strerror", None) or fault
        return _found(target, None, f"host name {target.host!r} does not resolve ({why})")
    with socket.socket(family, kind_found, protocol) as way:
        fault_text = _connected(way, address) if is_stream else _asked(way, address)
        return _found(target, str(address[0]), fault_text)


def send_test_alert(show: Show, channel: Channel, *, version: str) -> OscSink:
    """Show a clearly marked ring on one channel of every receiver for two seconds, then clear it.

    It goes through the mappings as well, so that a mapped display or lamp is tried out too.

    Returns the closed sink: its `target_health` and `dropped` tell how it went.
    """
    sink = sink_for(show, version=version, channels=(channel.number,))
    sink.start()
    try:
        sink.on_event(_test_event(channel, RingState.RINGING, 0.0))
        time.sleep(TEST_HOLD_S)
        sink.on_event(_test_event(channel, RingState.CLEARED, TEST_HOLD_S))
    finally:
        sink.close()
    return sink


def _test_event(channel: Channel, state: RingState, time_s: float) -> RingEvent:
    return RingEvent(
        id=0,
        channel=channel.number,
        channel_name=f"TEST {channel.label}",
        state=state,
        time_s=time_s,
        onset_s=0.0,
        frequency_hz=1000.0,
        band_hz=1000,
        level_dbfs=-20.0,
        cut_db=3.0,
        evidence={"test": 1.0},
    )


def _asked(way: socket.socket, address: object) -> str:
    """Return "" or what is wrong with the way to an address."""
    try:
        way.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
        way.settimeout(REFUSAL_S)
        way.connect(address)  # type: ignore[arg-type]
        way.send(datagram(CHECK, ()))
        way.recv(1)
    except TimeoutError:
        return ""  # no refusal: as much as UDP can tell
    except ConnectionRefusedError:
        return "nothing listens on that port: is the receiver's app open?"
    except OSError as fault:
        return f"cannot be reached ({fault.strerror or fault})"
    return ""  # somebody answered something


def _connected(way: socket.socket, address: object) -> str:
    """Return "" or why there is no TCP connection."""
    try:
        way.settimeout(LOOK_UP_S)
        way.connect(address)  # type: ignore[arg-type]
    except ConnectionRefusedError:
        return "nothing listens on that port: is the receiver's app open?"
    except OSError as fault:
        return f"cannot be reached ({fault.strerror or fault})"
    return ""


def _found(target: OscTarget, address: str | None, fault: str) -> TargetFound:
    seen = {"udp": "no refusal, which is as much as UDP can tell", "tcp": "connected"}
    text = fault or seen[target.transport]
    return TargetFound(target.label, target.host, target.port, address, not fault, text)


def _too_slow(target: OscTarget) -> TargetFound:
    return _found(target, None, f"host name {target.host!r}: no answer within {LOOK_UP_S:g} s")
