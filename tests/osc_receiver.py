"""An independent OSC receiver (bound socket, oscpy's decoder) and events to send, for tests."""

import select
import socket
import time
from collections.abc import Callable
from typing import Any

import numpy as np
from oscpy.parser import read_message

from prehowl.daemon.events import RingEvent
from prehowl.daemon.show import OscTarget
from prehowl.daemon.sinks.base import Health, Snapshot
from prehowl.daemon.sources.base import SourceHealth
from prehowl.detectors.rings import RingState

DEADLINE_S = 5.0


def event(state: str = "ringing", *, number: Any = 3, channel: Any = 1, **more: Any) -> RingEvent:
    figures: dict[str, Any] = {
        "channel_name": "Vox 1",
        "time_s": 12.34,
        "onset_s": 12.19,
        "frequency_hz": 2513.4,
        "band_hz": 2500,
        "level_dbfs": -18.2,
        "growth_db_per_s": 42.0,
        "margin_db": -0.3,
        "cut_db": 3.0,
        "evidence": {"papr_db": 31.2, "persistence": 0.93, "phpr_db": None},
    }
    return RingEvent(id=number, channel=channel, state=RingState(state), **{**figures, **more})


def snapshot(*rings: RingEvent, channels: int = 2, state: str = "running") -> Snapshot:
    levels = np.full(channels, -60, np.float32)
    health = Health(source=SourceHealth(state=state, overflows=1, lost_samples=480), load=0.25)
    return Snapshot(1.0, levels, levels, np.zeros((channels, 31), np.float32), rings, health)


class Receiver:
    """An independent receiver: a bound socket and oscpy's decoder."""

    def __init__(self) -> None:
        self.socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 20)
        self.socket.bind(("127.0.0.1", 0))
        self.port: int = self.socket.getsockname()[1]
        self.got: list[tuple[str, str, list[Any]]] = []

    def target(self, **more: Any) -> OscTarget:
        return OscTarget(host="127.0.0.1", port=self.port, **more)

    def until(self, enough: Callable[[], bool]) -> None:
        deadline_s = time.monotonic() + DEADLINE_S
        while not enough():
            left_s = deadline_s - time.monotonic()
            assert left_s > 0, f"not in time; got {self.got[-20:]}"
            if select.select([self.socket], [], [], min(left_s, 0.05))[0]:
                self.got.append(decoded(self.socket.recv(65536)))

    def until_bye(self) -> None:
        self.until(lambda: bool(self.values("/prehowl/bye")))

    def values(self, address: str) -> list[Any]:
        """Return the first argument of every message to an address, in order."""
        return [arguments[0] for where, _, arguments in self.got if where == address]


def decoded(data: bytes) -> tuple[str, str, list[Any]]:
    address, tags, values, end = read_message(data, encoding="utf-8")
    assert end == len(data), "oscpy did not use every byte"
    return address.decode(), "," + bytes(tags).decode(), list(values)


def wait_for(is_so: Callable[[], bool]) -> None:
    deadline_s = time.monotonic() + DEADLINE_S
    while not is_so():
        assert time.monotonic() < deadline_s, "not in time"
        time.sleep(0.005)
