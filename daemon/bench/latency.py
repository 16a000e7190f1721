"""How long an event takes through the software: from the last sample that it used to a datagram.

Counted from when the block with that sample was handed to the loop until the datagram arrived at
an independent socket on loopback; what the analysis frames themselves take comes on top, and is a
matter of physics, not of this program.
"""

import socket
import struct
import threading
import time
from dataclasses import dataclass
from importlib.metadata import version

import numpy as np
from pythonosc.osc_message import OscMessage

from prehowl.daemon.bench.repeated import RepeatedSource, one_round
from prehowl.daemon.events import RingEvent
from prehowl.daemon.loop import run_loop
from prehowl.daemon.show.osc_tables import OscTarget
from prehowl.daemon.sinks.base import Snapshot
from prehowl.daemon.sinks.osc import OscSink
from prehowl.detectors.engine import ChannelSetup, Engine

BLOCK_LENGTH = 512
"""As the capture process takes from a device."""
SO_TIMESTAMPNS = 35
"""Linux; `socket` has no name for it."""
ADDRESS = b"/prehowl/ring\0"
Key = tuple[int, str]


@dataclass(frozen=True, slots=True)
class Latency:
    """What was measured."""

    channels: int
    rate_hz: int
    seconds: float
    events: int
    median_ms: float
    p99_ms: float
    worst_ms: float
    missing: int  # events whose datagram never arrived


def measure_latency(channels: int, rate_hz: int, seconds: float, seed: int) -> Latency:
    """Run the loop at its own pace on a repeated programme, with OSC out, and time each event."""
    source = RepeatedSource(
        one_round(channels, rate_hz, seed),
        rate_hz,
        seconds,
        block_length=BLOCK_LENGTH,
        is_live=True,
    )
    witness = _Witness()
    with _Receiver() as receiver:
        osc = OscSink([OscTarget("127.0.0.1", receiver.port)], version=version("prehowl"))
        run_loop(
            source,
            Engine(rate_hz, [ChannelSetup()] * channels),
            [osc, witness],
            names=source.names,
            pace="fast",  # the source itself keeps the pace, as a device does
        )
    found = []
    for key, time_s in witness.when_s.items():
        if key in receiver.came_ns:
            block = (round(time_s * rate_hz) - 1) // BLOCK_LENGTH
            if block < len(source.handed_ns):
                found.append((receiver.came_ns[key] - source.handed_ns[block]) / 1e6)
    ms = np.array(found or [float("nan")])
    return Latency(
        channels=channels,
        rate_hz=rate_hz,
        seconds=seconds,
        events=len(found),
        median_ms=float(np.median(ms)),
        p99_ms=float(np.percentile(ms, 99)),
        worst_ms=float(ms.max()),
        missing=sum(key not in receiver.came_ns for key in witness.when_s),
    )


class _Witness:
    """Notes the exact time of every event; OSC itself tells whole milliseconds only. A `Sink`."""

    def __init__(self) -> None:
        self.when_s: dict[Key, float] = {}

    def start(self) -> None:
        pass

    def on_event(self, event: RingEvent) -> None:
        self.when_s[event.id, str(event.state)] = event.time_s

    def on_snapshot(self, snapshot: Snapshot) -> None:
        pass

    def close(self) -> None:
        pass


class _Receiver:
    """A socket of its own that notes when which ring's datagram came.

    The kernel's stamp counts: a thread of this process that waits for its turn would add that wait.
    """

    def __init__(self) -> None:
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 20)
        self._socket.setsockopt(socket.SOL_SOCKET, SO_TIMESTAMPNS, 1)
        self._socket.bind(("127.0.0.1", 0))
        self._socket.settimeout(0.2)
        self._is_open = True
        self._raw: list[tuple[int, bytes]] = []
        self.came_ns: dict[Key, int] = {}
        self._thread = threading.Thread(target=self._listen, daemon=True)

    @property
    def port(self) -> int:
        return int(self._socket.getsockname()[1])

    def __enter__(self) -> "_Receiver":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._is_open = False
        self._thread.join()
        self._socket.close()
        ahead_ns = time.time_ns() - time.monotonic_ns()
        for at_ns, data in self._raw:
            values = OscMessage(data).params
            self.came_ns.setdefault((int(values[1]), str(values[4])), at_ns - ahead_ns)

    def _listen(self) -> None:
        while True:
            try:
                data, ancillary, _, _ = self._socket.recvmsg(65536, 256)
            except TimeoutError:
                if self._is_open:
                    continue
                return  # only now: what had come by the end has been read
            if data.startswith(ADDRESS):  # decoded at the end: here only time counts
                seconds, nanos = struct.unpack("qq", ancillary[0][2][:16])
                self._raw.append((seconds * 1_000_000_000 + nanos, data))
