"""An independent OSC receiver: a plain UDP socket and a decoder written from OSC 1.0 alone.

It shares no code with what sends. Source: The Open Sound Control 1.0 Specification
(opensoundcontrol.org), from memory: big-endian, strings NUL-ended and padded to 4 bytes, type tag
string after the address, bundles as `#bundle`, 8 bytes of time tag, then sized elements.
"""

import socket
import struct
import threading
import time
from dataclasses import dataclass
from typing import Any

SO_TIMESTAMPNS = 35  # Linux; `socket` has no name for it


@dataclass(frozen=True, slots=True)
class Message:
    """One OSC message as it came."""

    address: str
    types: str
    args: tuple[Any, ...]
    at_s: float  # monotonic clock; when the kernel took it, however busy the test is


def decode(data: bytes, at_s: float = 0.0) -> list[Message]:
    """Return all messages of one datagram, in order."""
    if data.startswith(b"#bundle\0"):
        found, at = [], 16
        while at < len(data):
            (size,) = struct.unpack_from(">i", data, at)
            assert size > 0
            assert size % 4 == 0
            assert at + 4 + size <= len(data)
            found += decode(data[at + 4 : at + 4 + size], at_s)
            at += 4 + size
        return found
    address, at = _string(data, 0)
    types, at = _string(data, at)
    assert address.startswith("/")
    assert types.startswith(",")
    args = []
    for tag in types[1:]:
        value, at = _argument(tag, data, at)
        args.append(value)
    assert at == len(data)
    return [Message(address, types[1:], tuple(args), at_s)]


def _string(data: bytes, at: int) -> tuple[str, int]:
    end = data.index(b"\0", at)
    padded = at + (end - at) // 4 * 4 + 4
    assert not data[end:padded].strip(b"\0")
    return data[at:end].decode(), padded


def _argument(tag: str, data: bytes, at: int) -> tuple[Any, int]:
    if tag == "s":
        return _string(data, at)
    if tag in "TFNI":
        return {"T": True, "F": False, "N": None, "I": float("inf")}[tag], at
    form = {"i": ">i", "f": ">f", "h": ">q", "d": ">d", "t": ">Q"}[tag]
    return struct.unpack_from(form, data, at)[0], at + struct.calcsize(form)


class OscReceiver:
    """Takes datagrams on a free port of 127.0.0.1 from now on; use as a context manager."""

    def __init__(self) -> None:
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 20)
        self._socket.setsockopt(socket.SOL_SOCKET, SO_TIMESTAMPNS, 1)
        self._socket.bind(("127.0.0.1", 0))
        self._socket.settimeout(0.1)
        self._is_open = True
        self._ahead_s = time.time() - time.monotonic()
        self._thread = threading.Thread(target=self._run)
        self.messages: list[Message] = []
        self.faults: list[bytes] = []

    @property
    def port(self) -> int:
        """UDP port to send to."""
        return int(self._socket.getsockname()[1])

    def __enter__(self) -> "OscReceiver":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._is_open = False
        self._thread.join()
        self._socket.close()

    def _run(self) -> None:
        while self._is_open:
            try:
                data, ancillary, _, _ = self._socket.recvmsg(65536, 256)
            except TimeoutError:
                continue
            seconds, nanos = struct.unpack("qq", ancillary[0][2][:16])
            try:
                self.messages += decode(data, seconds + nanos / 1e9 - self._ahead_s)
            except (AssertionError, ValueError, KeyError, struct.error):
                self.faults.append(data)

    def of(self, address: str) -> list[Message]:
        """Return what came to one address so far."""
        return [message for message in list(self.messages) if message.address == address]

    def wait_for(self, address: str, count: int = 1, patience_s: float = 10.0) -> list[Message]:
        """Return the messages to one address once there are `count`; fail after the patience."""
        deadline_s = time.monotonic() + patience_s
        while len(found := self.of(address)) < count:
            if time.monotonic() > deadline_s:
                raise AssertionError(f"{len(found)} of {count} messages to {address} came")
            time.sleep(0.02)
        return found
