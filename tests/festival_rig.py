"""Two daemons, three attached screens and four receivers of OSC, run together on loopback.

Of the receivers one is dead (nothing listens), one is slow (a TCP port whose data nobody reads),
one sends garbage back, one is good. The daemons watch one recording of a festival at its own pace,
each its own channels.
"""

import contextlib
import os
import pty
import selectors
import signal
import socket
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray
from osc_packets import message
from oscpy.parser import read_bundle, read_message

from prehowl.daemon.loop import run_loop
from prehowl.daemon.sources.base import Block
from prehowl.daemon.sources.stage import EngineerSink, StageSource
from prehowl.daemon.stage.festival import Festival
from prehowl.detectors.engine import ChannelSetup, Engine

RATE_HZ = 48000
PATIENCE_S = 120.0  # for a machine that is busy with other work; nothing is judged by it
CHANNELS = {"main": "1-6", "side": "7-11"}
SECONDS_1900_TO_1970 = 2_208_988_800
SO_TIMESTAMPNS = 35  # Linux; the kernel's time of arrival, however busy the test itself is
GARBAGE = (b"\xff" * 64, b"#bundle\0" + bytes(8) + b"\xff\xff\xff\xfc", b"", b"/" + bytes(3))


class _Taping(StageSource):
    """The virtual stage with a tape running."""

    def __init__(self, festival: Festival, seconds: float) -> None:
        super().__init__(festival, seconds)
        self.tape: list[NDArray[np.float32]] = []

    def read(self) -> Block | None:
        """Return the next block, and keep it."""
        block = super().read()
        self.tape += [] if block is None else [block.samples]
        return block


def festival_audio(seconds: float) -> NDArray[np.float32]:
    """Return the virtual festival as the engineer at its desk made it, (samples, 11)."""
    festival = Festival(RATE_HZ, 7)
    source = _Taping(festival, seconds)
    engine = Engine(RATE_HZ, [ChannelSetup() for _ in range(source.channels)])
    run_loop(source, engine, [EngineerSink(festival)], names=source.names, snapshot_s=None)
    return np.concatenate(source.tape)


def howling_audio(seconds: float) -> NDArray[np.float32]:
    """Return noise on 11 channels with howls of 60 dB/s that come and go, (samples, 11)."""
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    audio = np.random.default_rng(3).normal(0, 0.002, (len(time_s), 11))
    for ch in range(11):
        since_s = (time_s - 1.0 - 0.31 * ch) % 4.0
        rise = np.where(since_s < 1.5, np.minimum(1e-4 * 10 ** (3 * since_s), 0.2), 0)
        audio[:, ch] += rise * np.sin(2 * np.pi * (500 + 310.7 * ch) * time_s)
    return audio.astype(np.float32)


@dataclass
class Message:
    """One message that reached the good receiver."""

    at_s: float  # wall time of arrival
    sender: int  # port it came from: one for each daemon
    tag_s: float | None  # time tag of its bundle
    address: str
    values: list[Any]


@dataclass
class Good:
    """The good receiver."""

    way: socket.socket = field(default_factory=lambda: socket.socket(type=socket.SOCK_DGRAM))
    got: list[tuple[float, int, bytes]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.way.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 21)
        self.way.setsockopt(socket.SOL_SOCKET, SO_TIMESTAMPNS, 1)
        self.way.bind(("127.0.0.1", 0))
        self.way.settimeout(0.2)
        self.port: int = self.way.getsockname()[1]

    def take(self) -> None:
        """Take one datagram, if one comes soon."""
        data, ancillary, _, sender = self.way.recvmsg(65536, 256)
        seconds, nanos = struct.unpack("qq", ancillary[0][2][:16])
        self.got.append((seconds + nanos / 1e9, sender[1], data))

    def messages(self, prefix: str) -> list[Message]:
        """Return the messages whose address begins so, in the order of arrival."""
        return [m for row in self.got for m in _read(*row) if m.address.startswith(prefix)]


def _read(at_s: float, sender: int, data: bytes) -> list[Message]:
    """Return the messages of a datagram, by oscpy."""
    if not data.startswith(b"#"):
        address, _, values, _ = read_message(data, encoding="utf-8")
        return [Message(at_s, sender, None, address.decode(), list(values))]
    seconds, fraction = struct.unpack(">II", data[8:16])
    tag_s = seconds - SECONDS_1900_TO_1970 + fraction / 2**32
    _, inside = read_bundle(data, encoding="utf-8")
    return [Message(at_s, sender, tag_s, a.decode(), list(v)) for a, _, v, _ in inside]


@dataclass
class Outcome:
    """What came of it all."""

    good: Good
    out: dict[str, str]  # what each daemon printed: its events
    err: dict[str, str]
    screens: list[str]  # what was drawn on both together, main, side


def show_text(title: str, port: int, targets: dict[str, tuple[int, str]]) -> str:
    """Return the show file of one daemon."""
    receivers = "".join(
        f'[[osc]]\nname = "{name}"\nhost = "127.0.0.1"\nport = {at}\ntransport = "{kind}"\n'
        for name, (at, kind) in targets.items()
    )
    return f"""
[stage]
title = "{title}"
[osc_in]
port = {port}
[[acts]]
name = "Paper Kites"
[[acts]]
name = "Third Rail"
{receivers}
[[maps]]
address = "/{title}/event"
each_channel = true
args = [
    {{ type = "int", value = "{{id}}" }}, {{ type = "string", value = "{{state}}" }},
    {{ type = "float", value = "{{time_s}}" }}, {{ type = "string", value = "{{act}}" }},
]
send = "each"
states = ["suspect", "ringing", "howling"]
at_most_hz = 1000
bundle = "time"
targets = ["Good"]
[[maps]]
address = "/storm/{{channel}}"
args = [{{ type = "string", value = "{{advice}}" }}]
send = "while"
rate_hz = 30
at_most_hz = 1000
targets = ["Dead", "Slow", "Garbage"]
"""


def run_festival(folder: Path, audio: NDArray[np.float32]) -> Outcome:
    """Run daemons, screens and receivers until the recording's end, and gather what they did."""
    recording, seconds = folder / "festival.wav", len(audio) / RATE_HZ
    soundfile.write(recording, audio, RATE_HZ, subtype="FLOAT")
    ports = {title: _free_port() for title in CHANNELS}
    with _receivers() as (good, targets):
        daemons = {}
        for title, port in ports.items():
            (folder / f"{title}.toml").write_text(show_text(title, port, targets))
            daemons[title] = _daemon(folder, title, recording)
        both = [f"127.0.0.1:{port}" for port in ports.values()]
        with _screens((both, (80, 24)), (both[:1], (120, 40)), (both[1:], (200, 60))) as drawn:
            _until(lambda: all("Ctrl-C ends" in _said(folder, title) for title in ports))
            _at_half_time(seconds, ports["main"])
            for daemon in daemons.values():
                daemon.wait(seconds + PATIENCE_S)
            _until(lambda: all(b"ended its watch" in data for data in drawn))
    return Outcome(
        good,
        {title: (folder / f"{title}.out").read_text() for title in ports},
        {title: _said(folder, title) for title in ports},
        [bytes(data).decode("utf-8", "replace") for data in drawn],
    )


def _said(folder: Path, title: str) -> str:
    return (folder / f"{title}.err").read_text()


def _free_port() -> int:
    with socket.socket(type=socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _prehowl(*words: str) -> list[str]:
    return [sys.executable, "-P", "-m", "prehowl.daemon", *words]


def _daemon(folder: Path, title: str, recording: Path) -> "subprocess.Popen[bytes]":
    words = ["watch", "--recording", str(recording), "--format", "jsonl"]
    words += ["--channels", CHANNELS[title], "--show", str(folder / f"{title}.toml")]
    with (folder / f"{title}.out").open("wb") as out, (folder / f"{title}.err").open("wb") as err:
        daemon = subprocess.Popen(_prehowl(*words), stdout=out, stderr=err)
    with contextlib.suppress(PermissionError):  # before screens, as a service is (configs/systemd)
        os.setpriority(os.PRIO_PROCESS, daemon.pid, -10)
    return daemon


@contextlib.contextmanager
def _receivers() -> Iterator[tuple[Good, dict[str, tuple[int, str]]]]:
    """Give the good receiver, and all four as name -> port and transport."""
    good, garbage, stop = Good(), socket.socket(type=socket.SOCK_DGRAM), threading.Event()
    garbage.bind(("127.0.0.1", 0))
    garbage.settimeout(0.2)
    slow = socket.create_server(("127.0.0.1", 0))  # the kernel accepts, nobody reads

    def answer() -> None:
        _, sender = garbage.recvfrom(65536)
        for data in GARBAGE:
            garbage.sendto(data, sender)

    threads = [threading.Thread(target=_again, args=(do, stop)) for do in (good.take, answer)]
    for thread in threads:
        thread.start()
    try:
        yield (
            good,
            {
                "Dead": (_free_port(), "udp"),
                "Slow": (slow.getsockname()[1], "tcp"),
                "Garbage": (garbage.getsockname()[1], "udp"),
                "Good": (good.port, "udp"),
            },
        )
    finally:
        stop.set()
        for thread in threads:
            thread.join()
        for way in (good.way, garbage, slow):
            way.close()


def _again(do: Any, stop: threading.Event) -> None:
    while not stop.is_set():
        with contextlib.suppress(OSError):  # a timeout is one
            do()


@contextlib.contextmanager
def _screens(*wanted: tuple[list[str], tuple[int, int]]) -> Iterator[list[bytearray]]:
    """Attach screens in terminals of their own; give what they draw, and end them by SIGTERM."""
    stop, drawn = threading.Event(), [bytearray() for _ in wanted]
    started = [_screen(hosts, size) for hosts, size in wanted]
    selector = selectors.DefaultSelector()
    for (_, master), kept in zip(started, drawn, strict=True):
        selector.register(master, selectors.EVENT_READ, kept)

    def read() -> None:
        _read_ready(selector)

    thread = threading.Thread(target=_again, args=(read, stop))
    thread.start()
    try:
        yield drawn
        for process, _ in started:  # so that each ends while others still draw
            process.send_signal(signal.SIGTERM)
            process.wait(PATIENCE_S)
        _until(lambda: all(b"\x1b[?1049l" in data for data in drawn))
    finally:
        for process, _ in started:
            process.kill()
            process.wait()
        stop.set()
        thread.join()
        selector.close()
        for _, master in started:
            os.close(master)


def _read_ready(selector: selectors.BaseSelector) -> None:
    """Read what has been drawn on any terminal within 0.2 s."""
    for key, _ in selector.select(0.2):
        data = _rest_of(key.fd)
        key.data.extend(data)
        if not data:  # else it stays ready for ever, and the others are never read
            selector.unregister(key.fd)


def _rest_of(master: int) -> bytes:
    """Return what a terminal holds; nothing once its last process has left (EIO, Linux)."""
    try:
        return os.read(master, 65536)
    except OSError:
        return b""


def _screen(hosts: list[str], size: tuple[int, int]) -> "tuple[subprocess.Popen[bytes], int]":
    master, slave = pty.openpty()
    sizes = {"COLUMNS": str(size[0]), "LINES": str(size[1]), "TERM": "xterm-256color"}
    process = subprocess.Popen(
        _prehowl("attach", *hosts),
        stdin=slave,
        stdout=slave,
        stderr=slave,
        env={**os.environ, **sizes},
    )
    os.close(slave)
    return process, master


def _at_half_time(seconds: float, port: int) -> None:
    """Ask a daemon for the next act, half way through."""
    time.sleep(seconds / 2)
    with socket.socket(type=socket.SOCK_DGRAM) as way:
        way.sendto(message("/prehowl/do/next_act"), ("127.0.0.1", port))


def _until(is_so: Any, patience_s: float = PATIENCE_S) -> None:
    deadline_s = time.monotonic() + patience_s
    while not is_so() and time.monotonic() < deadline_s:
        time.sleep(0.05)
