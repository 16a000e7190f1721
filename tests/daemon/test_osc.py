"""What leaves as OSC: bytes, addresses, occasions, and receivers that are gone, slow or unknown."""

import math
import select
import socket
import struct
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from oscpy.parser import read_message
from pythonosc.osc_message_builder import OscMessageBuilder

from prehowl.daemon.events import RingEvent
from prehowl.daemon.show import OscTarget
from prehowl.daemon.sinks import osc_sender
from prehowl.daemon.sinks.base import Health, Snapshot
from prehowl.daemon.sinks.osc import OscSink
from prehowl.daemon.sinks.osc_messages import (
    BYE,
    FLAT,
    HEALTH,
    HEARTBEAT,
    RING,
    UNKNOWN,
    WORST_ONLY,
    datagram,
    flat_datagram,
    health_datagram,
    label,
    ring_datagram,
    typed,
)
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


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    made = Receiver()
    yield made
    made.socket.close()


@pytest.fixture
def sinks() -> Iterator[Callable[..., OscSink]]:
    made: list[OscSink] = []

    def make(*targets: OscTarget, **more: Any) -> OscSink:
        sink = OscSink(targets, version="9.8.7", **more)
        sink.start()
        made.append(sink)
        return sink

    yield make
    for sink in made:
        sink.close()


def wait_for(is_so: Callable[[], bool]) -> None:
    deadline_s = time.monotonic() + DEADLINE_S
    while not is_so():
        assert time.monotonic() < deadline_s, "not in time"
        time.sleep(0.005)


class TestBytes:
    def test_flat_message_is_the_example_of_the_standard(self) -> None:
        """Oracle: OSC 1.0 (Wright 2002), examples page: /oscillator/4/frequency with 440.0."""
        assert flat_datagram("/oscillator/4/frequency", ("f", 440.0)) == bytes.fromhex(
            "2f6f7363696c6c61746f722f342f6672657175656e6379002c66000043dc0000"
        )

    def test_library_builds_the_standards_second_example(self) -> None:
        """Oracle: OSC 1.0 (Wright 2002), examples page: /foo 1000 -1 "hello" 1.234 5.678."""
        builder = OscMessageBuilder("/foo")
        for tag, value in zip("iisff", (1000, -1, "hello", 1.234, 5.678), strict=True):
            builder.add_arg(typed(tag, value), tag)
        assert builder.build().dgram == bytes.fromhex(
            "2f666f6f000000002c69697366660000000003e8ffffffff68656c6c6f0000003f9df3b640b5b22d"
        )

    def test_ring_message_laid_out_by_hand(self) -> None:
        """Oracle: OSC 1.0 rules applied by hand: big-endian, strings NUL-padded to 4 bytes."""
        expected = (
            b"/prehowl/ring\0\0\0"
            b",iiissiiffffffs\0"
            b"\x00\x00\x00\x01"  # version 1
            b"\x00\x00\x00\x03"  # id
            b"\x00\x00\x00\x01"  # channel
            b"Vox 1\0\0\0"
            b"ringing\0"
            b"\x00\x00\x30\x34"  # 12340 ms
            b"\x00\x00\x2f\x9e"  # 12190 ms
            b"\x45\x1d\x10\x00"  # 2513.0 = 1.22705078125 * 2**11
            b"\x45\x1c\x40\x00"  # 2500.0
            b"\xc1\x94\x00\x00"  # -18.5 = -1.15625 * 2**4
            b"\x42\x28\x00\x00"  # 42.0
            b"\xbe\x80\x00\x00"  # -0.25
            b"\x40\x40\x00\x00"  # 3.0
            b"papr_db=31.2\0\0\0\0"
        )
        made = event(
            frequency_hz=2513.0, level_dbfs=-18.5, margin_db=-0.25, evidence={"papr_db": 31.2}
        )
        assert ring_datagram(made) == expected

    def test_empty_evidence_is_an_empty_string(self) -> None:
        """Oracle: OSC 1.0: an empty string is four zero bytes."""
        assert ring_datagram(event(evidence={})).endswith(b"\x40\x40\x00\x00" + b"\0\0\0\0")


class TestValues:
    def test_second_implementation_reads_the_same(self) -> None:
        """Oracle: oscpy, an independent implementation, reads back what the event says."""
        address, tags, values = decoded(ring_datagram(event()))
        assert (address, tags) == ("/prehowl/ring", RING.tags)
        assert values[:7] == [1, 3, 1, "Vox 1", "ringing", 12340, 12190]
        assert values[7:13] == pytest.approx([2513.4, 2500, -18.2, 42, -0.3, 3], rel=1e-6)
        assert values[13] == "papr_db=31.2 persistence=0.93"

    def test_unknown_figures_keep_the_type_string(self) -> None:
        """Oracle: the documented sentinel -9999; the tags are those of a full record."""
        bare = event(onset_s=None, growth_db_per_s=None, margin_db=math.nan, cut_db=math.inf)
        _, tags, values = decoded(ring_datagram(bare))
        assert tags == RING.tags
        assert values[6] == UNKNOWN
        assert values[10:13] == [UNKNOWN] * 3

    def test_numpy_scalars_are_sent_as_plain_types(self) -> None:
        """Oracle: oscpy. An event full of numpy scalars gives the bytes of the plain event."""
        scalars = event(
            number=np.int64(3),
            channel=np.int32(1),
            time_s=np.float32(12.34),
            onset_s=np.float64(12.19),
            frequency_hz=np.float32(2513.4),
            band_hz=np.float64(2500),
            level_dbfs=np.float32(-18.2),
            growth_db_per_s=np.float32(42),
            margin_db=np.float32(-0.3),
            cut_db=np.float16(3),
            evidence={"papr_db": np.float32(31.2), "persistence": np.float64(0.93)},
        )
        assert ring_datagram(scalars) == ring_datagram(event())

    @given(st.floats() | st.none() | st.integers(), st.sampled_from(["i", "f"]))
    def test_every_number_fits_its_tag_and_is_finite(self, value: float | None, tag: str) -> None:
        """Oracle: struct, as the standard's big-endian 32 bits, packs it; never NaN."""
        made = typed(tag, value)
        (back,) = struct.unpack(f">{tag}", struct.pack(f">{tag}", made))
        assert math.isfinite(back)
        if value is None or not math.isfinite(value):
            assert made == UNKNOWN

    @given(st.text(max_size=300), st.text(max_size=300))
    def test_any_text_comes_back_whole_or_cut(self, name: str, detail: str) -> None:
        """Oracle: oscpy. A NUL would end a string and shift what follows; none gets through."""
        _, _, values = decoded(ring_datagram(event(channel_name=name)))
        clean = name.replace("\0", " ")
        assert values[3] == clean.encode("utf-8", "replace").decode()[:200]
        assert values[4] == "ringing"
        health = Health(source=SourceHealth(detail=detail))
        assert len(decoded(health_datagram(health))[2]) == len(HEALTH.arguments)

    @pytest.mark.parametrize(
        ("band", "cut", "words"),
        [
            (2500, 3.0, "2.5 kHz -3 dB"),
            (31.5, 2.5, "31.5 Hz -2.5 dB"),
            (1000, None, "1 kHz"),
            (12500, 0.0, "12.5 kHz"),
            (800, np.float32(4.5), "800 Hz -4.5 dB"),
        ],
    )
    def test_label_is_what_to_pull(self, band: float, cut: float | None, words: str) -> None:
        """Oracle: the wording of docs/osc.md; bands are written as on the faders (ISO 266)."""
        assert label(event(band_hz=band, cut_db=cut)) == words

    def test_label_marks_a_test(self) -> None:
        """Oracle: docs/osc.md. A test alert cannot be taken for a ring."""
        assert label(event(evidence={"test": 1.0})) == "TEST 2.5 kHz -3 dB"

    def test_health_in_documented_order(self) -> None:
        """Oracle: oscpy and the order of docs/osc.md."""
        health = Health(
            source=SourceHealth("waiting", 2, 480, "cable out"),
            load=np.float64(0.5),
            dropped_blocks=7,
        )
        assert decoded(health_datagram(health)) == (
            "/prehowl/health",
            ",fiiiss",
            [0.5, 2, 7, 480, "waiting", "cable out"],
        )


class TestOccasions:
    def test_event_leaves_as_record_and_flat_values(
        self, receiver: Receiver, sinks: Callable[..., OscSink]
    ) -> None:
        """Oracle: docs/osc.md. The record first, then the flat values, state last."""
        sinks(receiver.target()).on_event(event(channel=2))
        receiver.until(lambda: bool(receiver.values("/prehowl/worst/state")))
        order = [address for address, _, _ in receiver.got if "heart" not in address]
        prefix = "/prehowl/channel/2/"
        assert order[0] == "/prehowl/ring"
        assert order[1:7] == [prefix + name for name, _, _ in FLAT]
        assert receiver.values(prefix + "state") == [2]
        assert receiver.values(prefix + "label") == ["2.5 kHz -3 dB"]
        assert receiver.values(prefix + "frequency") == [pytest.approx(2513.4)]
        assert receiver.values("/prehowl/worst/channel") == [2]
        assert receiver.values("/prehowl/worst/name") == ["Vox 1"]

    def test_flat_values_are_sent_on_change_only(
        self, receiver: Receiver, sinks: Callable[..., OscSink]
    ) -> None:
        """Oracle: docs/osc.md. Of the same ring in its next state only the state is new."""
        sink = sinks(receiver.target(repeat_s=0.0))
        sink.on_event(event("suspect"))
        sink.on_event(event("ringing"))
        for _ in range(20):
            sink.on_snapshot(snapshot(event("ringing")))
        sink.on_event(event("cleared"))
        receiver.until(lambda: receiver.values("/prehowl/worst/state")[-1:] == [0])
        assert receiver.values("/prehowl/channel/1/state") == [1, 2, 0]
        assert receiver.values("/prehowl/channel/1/band") == [2500, 0]
        assert receiver.values("/prehowl/channel/1/label") == ["2.5 kHz -3 dB", "-"]

    def test_worst_channel_is_the_worst_now(
        self, receiver: Receiver, sinks: Callable[..., OscSink]
    ) -> None:
        """Oracle: definition. A howl beats a ring, and when it clears the ring is worst again."""
        sink = sinks(receiver.target())
        sink.on_event(event("ringing", number=1, channel=1))
        sink.on_event(event("howling", number=2, channel=4))
        sink.on_event(event("cleared", number=2, channel=4))
        receiver.until(lambda: len(receiver.values("/prehowl/worst/channel")) == 3)
        assert receiver.values("/prehowl/worst/channel") == [1, 4, 1]

    def test_first_snapshot_sets_every_channel(
        self, receiver: Receiver, sinks: Callable[..., OscSink]
    ) -> None:
        """Oracle: docs/osc.md. A tablet left over from a broken run is set to calm at the start."""
        sinks(receiver.target()).on_snapshot(snapshot(channels=3))
        receiver.until(lambda: bool(receiver.values("/prehowl/worst/state")))
        for number in (1, 2, 3):
            assert receiver.values(f"/prehowl/channel/{number}/state") == [0]

    def test_groups_not_asked_for_stay_away(
        self, receiver: Receiver, sinks: Callable[..., OscSink]
    ) -> None:
        """Oracle: definition of `messages` in the show file."""
        other = Receiver()
        sink = sinks(
            receiver.target(messages=("worst",)), other.target(messages=("ring", "heartbeat"))
        )
        sink.on_snapshot(snapshot())
        sink.on_event(event())
        sink.close()
        other.until_bye()
        receiver.until(lambda: receiver.values("/prehowl/worst/state")[-1:] == [0])
        other.socket.close()
        assert {address.split("/")[2] for address, _, _ in receiver.got} == {"worst"}
        assert {a for a, _, _ in other.got} == {
            "/prehowl/ring",
            "/prehowl/heartbeat",
            "/prehowl/bye",
        }

    def test_close_leaves_no_channel_lit(
        self, receiver: Receiver, sinks: Callable[..., OscSink]
    ) -> None:
        """Oracle: docs/osc.md. After a clean end every channel reads calm, and bye comes last."""
        sink = sinks(receiver.target())
        sink.on_snapshot(snapshot())
        sink.on_event(event("howling", channel=2))
        sink.close()
        receiver.until_bye()
        assert receiver.got[-1][0] == "/prehowl/bye"
        assert receiver.values("/prehowl/channel/2/state")[-2:] == [3, 0]
        assert receiver.values("/prehowl/worst/state")[-1] == 0
        assert receiver.values("/prehowl/worst/label")[-1] == "-"

    def test_repeat_heals_what_was_lost(
        self, receiver: Receiver, sinks: Callable[..., OscSink]
    ) -> None:
        """Oracle: `repeat_s` in the show file. With 1 s every beat tells the state again."""
        sink = sinks(receiver.target(repeat_s=1.0))
        howl = event("howling")
        sink.on_event(howl)

        def again() -> bool:
            sink.on_snapshot(snapshot(howl, channels=1))
            return receiver.values("/prehowl/channel/1/state") == [3, 3]

        receiver.until(again)


class TestHeartbeat:
    def test_heartbeat_counts_and_names_the_version(
        self, receiver: Receiver, sinks: Callable[..., OscSink], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Oracle: docs/osc.md: sequence from 1 without a gap, the version, health beside it."""
        monkeypatch.setattr(osc_sender, "BEAT_S", 0.05)
        sink = sinks(receiver.target(repeat_s=0.0))
        sink.on_snapshot(snapshot())
        receiver.until(lambda: len(receiver.values("/prehowl/heartbeat")) >= 4)
        assert receiver.values("/prehowl/heartbeat")[:4] == [1, 2, 3, 4]
        beats = [message for message in receiver.got if message[0] == "/prehowl/heartbeat"]
        assert beats[0][1:] == (HEARTBEAT.tags, [1, "9.8.7"])
        assert len(receiver.values("/prehowl/health")) >= 3

    def test_beats_one_second_apart(
        self, receiver: Receiver, sinks: Callable[..., OscSink]
    ) -> None:
        """Oracle: definition, one a second; measured between the first and second beat."""
        sink = sinks(receiver.target())
        at_s: list[float] = []

        def two() -> bool:
            sink.on_snapshot(snapshot())
            if len(receiver.values("/prehowl/heartbeat")) > len(at_s):
                at_s.append(time.monotonic())
            return len(at_s) == 3

        receiver.until(two)
        assert at_s[2] - at_s[1] == pytest.approx(1.0, abs=0.3)

    def test_heartbeat_stops_when_the_analysis_stalls(
        self, receiver: Receiver, sinks: Callable[..., OscSink], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Oracle: docs/osc.md: no news from the loop, no heartbeat; it comes back with the news."""
        monkeypatch.setattr(osc_sender, "BEAT_S", 0.02)
        monkeypatch.setattr(osc_sender, "ALIVE_S", 0.2)
        monkeypatch.setattr(osc_sender, "LOOK_S", 0.02)
        sink = sinks(receiver.target(repeat_s=0.0))
        sink.on_snapshot(snapshot())
        receiver.until(lambda: len(receiver.values("/prehowl/heartbeat")) >= 3)
        heard_at_s = [time.monotonic()]

        def quiet() -> bool:
            if receiver.got and receiver.got[-1][0] == "/prehowl/heartbeat":
                heard_at_s.append(time.monotonic())
                receiver.got.append(("read", "", [0]))
            return time.monotonic() - heard_at_s[-1] > 0.5

        receiver.until(quiet)
        before = len(receiver.values("/prehowl/heartbeat"))
        sink.on_snapshot(snapshot())
        receiver.until(lambda: len(receiver.values("/prehowl/heartbeat")) > before)

    def test_device_state_is_told_at_once(
        self, receiver: Receiver, sinks: Callable[..., OscSink], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Oracle: docs/osc.md: a change of device_state does not wait for the next beat."""
        monkeypatch.setattr(osc_sender, "BEAT_S", 60.0)
        sink = sinks(receiver.target())
        sink.on_snapshot(snapshot())
        sink.on_snapshot(snapshot(state="waiting"))

        def states() -> list[str]:
            return [values[4] for address, _, values in receiver.got if address == HEALTH.address]

        receiver.until(lambda: states()[-1:] == ["waiting"])


class TestTrouble:
    def test_refusing_target_is_told_and_hurts_nobody(
        self, receiver: Receiver, sinks: Callable[..., OscSink]
    ) -> None:
        """Oracle: loopback answers a closed port with ICMP; the other target gets everything."""
        closed = Receiver()
        closed.socket.close()
        sink = sinks(closed.target(name="gone"), receiver.target(name="there"))

        def told() -> bool:
            sink.on_snapshot(snapshot())
            return "nothing listens" in dict(sink.target_health())["gone"]

        receiver.until(told)
        for number in range(1, 51):
            sink.on_event(event(number=number))
        receiver.until(lambda: len(receiver.values("/prehowl/ring")) == 50)
        assert dict(sink.target_health())["there"] == "ok"

    def test_target_that_comes_up_late_is_brought_up_to_date(
        self, sinks: Callable[..., OscSink]
    ) -> None:
        """Oracle: docs/osc.md. A receiver started after the howl hears of it by the repeat."""
        late = Receiver()
        port = late.port
        late.socket.close()
        sink = sinks(OscTarget(host="127.0.0.1", port=port, repeat_s=1.0))
        howl = event("howling")
        sink.on_event(howl)
        wait_for(lambda: sink.target_health()[0][1] != "looking up the host name")
        late.socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        late.socket.bind(("127.0.0.1", port))

        def heard() -> bool:
            sink.on_snapshot(snapshot(howl, channels=1))
            return 3 in late.values("/prehowl/channel/1/state")

        late.until(heard)
        late.socket.close()

    def test_unknown_host_is_told_and_tried_again(
        self, receiver: Receiver, sinks: Callable[..., OscSink]
    ) -> None:
        """Oracle: a resolver that fails twice, then answers; the board arrives after that."""
        calls: list[str] = []

        def resolver(host: str, port: int, **more: Any) -> Any:
            calls.append(host)
            if len(calls) < 3:
                raise socket.gaierror(-2, "Name or service not known")
            return socket.getaddrinfo("127.0.0.1", port, **more)

        target = OscTarget(host="tablet.invalid", port=receiver.port, name="tablet")
        sink = sinks(target, resolve=resolver, pause_first_s=0.05)
        wait_for(
            lambda: "'tablet.invalid' does not resolve" in dict(sink.target_health())["tablet"]
        )
        sink.on_event(event("howling"))
        receiver.until(lambda: receiver.values("/prehowl/channel/1/state") == [3])
        assert dict(sink.target_health())["tablet"] == "ok"
        assert calls == ["tablet.invalid"] * 3

    def test_name_is_looked_up_once(
        self, receiver: Receiver, sinks: Callable[..., OscSink]
    ) -> None:
        """Oracle: count of calls. A look-up at each send would block on a slow name server."""
        calls: list[str] = []

        def resolver(host: str, port: int, **more: Any) -> Any:
            calls.append(host)
            return socket.getaddrinfo("127.0.0.1", port, **more)

        sink = sinks(OscTarget(host="desk.invalid", port=receiver.port), resolve=resolver)
        for number in range(1, 101):
            sink.on_event(event(number=number))
        receiver.until(lambda: len(receiver.values("/prehowl/ring")) == 100)
        assert calls == ["desk.invalid"]

    def test_impossible_host_name_is_a_fault_of_the_target(
        self, sinks: Callable[..., OscSink]
    ) -> None:
        """Oracle: the library raises UnicodeError, not OSError, for a label of over 63 letters."""
        sink = sinks(OscTarget(host="a" * 70 + ".invalid", port=9, name="odd"))
        wait_for(lambda: "does not resolve" in dict(sink.target_health())["odd"])

    def test_slow_target_holds_up_neither_loop_nor_others(
        self, receiver: Receiver, sinks: Callable[..., OscSink]
    ) -> None:
        """Oracle: a resolver that hangs. Calls return at once, drops are counted, others hear."""
        release = threading.Event()

        def resolver(host: str, port: int, **more: Any) -> Any:
            if host == "slow.invalid":
                release.wait(30)
            return socket.getaddrinfo("127.0.0.1", port, **more)

        slow = OscTarget(host="slow.invalid", port=9, name="slow")
        sink = sinks(slow, receiver.target(name="quick"), resolve=resolver)
        slowest_s = 0.0
        for number in range(1, 1201):
            began_s = time.monotonic()
            sink.on_event(event(number=number, channel=1 + number % 4))
            slowest_s = max(slowest_s, time.monotonic() - began_s)
            if number % 100 == 0:
                receiver.until(lambda n=number: len(receiver.values("/prehowl/ring")) == n)
        assert slowest_s < 0.25
        dropped = dict(sink.dropped())
        assert dropped["quick"] == 0
        assert dropped["slow"] >= 1200 - osc_sender.QUEUE_LENGTH
        began_s = time.monotonic()
        sink.close()
        assert time.monotonic() - began_s < 1.5
        release.set()

    def test_dead_network_is_told(self, sinks: Callable[..., OscSink]) -> None:
        """Oracle: a resolver that gives an address no socket can connect to."""

        def resolver(host: str, port: int, **more: Any) -> Any:
            raise OSError(101, "Network is unreachable")

        sink = sinks(OscTarget(host="10.0.0.1", port=9, name="far"), resolve=resolver)
        wait_for(
            lambda: "Network is unreachable; trying again" in dict(sink.target_health())["far"]
        )

    def test_close_before_start_and_twice_is_harmless(self) -> None:
        """Oracle: the contract of sinks: `close` may follow a start that never came."""
        sink = OscSink([OscTarget(host="127.0.0.1", port=9)], version="0")
        sink.close()
        sink.close()
        assert sink.target_health()[0][0] == "127.0.0.1:9"


def test_docs_tell_every_address_as_the_code_has_it() -> None:
    """Oracle: docs/osc.md, read by people; each table row is made here from the code's tables."""
    text = (Path(__file__).parents[2] / "docs" / "osc.md").read_text(encoding="utf-8")
    for spec in (RING, HEARTBEAT, BYE, HEALTH):
        names = " ".join(name for _, name in spec.arguments)
        assert (
            f"| `{spec.address}` | `{spec.tags}` | {names} | `{spec.group}` | {spec.when} |" in text
        )
    for name, tag, meaning in FLAT:
        assert f"| `/prehowl/channel/<n>/{name}` | `,{tag}` | {meaning} |" in text
    for name, tag, meaning in WORST_ONLY:
        assert f"| `/prehowl/worst/{name}` | `,{tag}` | {meaning} |" in text


def test_byte_example_of_the_docs_is_what_is_sent() -> None:
    """Oracle: the hex dump in docs/osc.md equals the bytes of the event it describes."""
    text = (Path(__file__).parents[2] / "docs" / "osc.md").read_text(encoding="utf-8")
    block = text.split("```hex\n")[1].split("```")[0]
    words = [line.split("  ")[0] for line in block.splitlines()]
    assert bytes.fromhex("".join(words)) == datagram(HEARTBEAT, (7, "0.1.0"))
