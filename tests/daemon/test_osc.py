"""When OSC leaves and to whom: occasions, heartbeat, and receivers that are gone or slow."""

import socket
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from conformance import SinkConformance
from osc_receiver import DEADLINE_S, Receiver, event, snapshot, wait_for

from prehowl.daemon.events import Alert
from prehowl.daemon.show import OscTarget
from prehowl.daemon.sinks import osc_sender
from prehowl.daemon.sinks.osc import OscSink
from prehowl.daemon.sinks.osc_alert import ALERT
from prehowl.daemon.sinks.osc_link import Link
from prehowl.daemon.sinks.osc_messages import CONTRACT_VERSION, FLAT, HEALTH, HEARTBEAT


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


class TestConformance(SinkConformance):
    """The promises of every sink, here with one receiver that refuses and one that never reads."""

    def make(self, tmp_path: Path) -> OscSink:
        gone = Receiver()
        gone.socket.close()
        self.full = Receiver()  # kept, never read: the system throws away what is too much
        return OscSink([gone.target(), self.full.target()], version="0")

    @pytest.fixture(autouse=True)
    def _closes_the_receiver(self) -> Iterator[None]:
        yield
        self.full.socket.close()


class TestOccasions:
    def test_event_leaves_as_record_and_flat_values(
        self, receiver: Receiver, sinks: Callable[..., OscSink]
    ) -> None:
        """Oracle: docs/osc.md. The records first, then the flat values, state last."""
        sinks(receiver.target()).on_event(event(channel=2))
        receiver.until(lambda: bool(receiver.values("/prehowl/worst/state")))
        order = [address for address, _, _ in receiver.got if "heart" not in address]
        prefix = "/prehowl/channel/2/"
        assert order[:2] == ["/prehowl/ring", "/prehowl/alert"]
        assert order[2:8] == [prefix + name for name, _, _ in FLAT]
        assert receiver.values(prefix + "state") == [2]
        assert receiver.values(prefix + "label") == ["2.5 kHz -3 dB"]
        assert receiver.values(prefix + "frequency") == [pytest.approx(2513.4)]
        assert receiver.values("/prehowl/worst/channel") == [2]
        assert receiver.values("/prehowl/worst/name") == ["Vox 1"]

    def test_flat_values_are_sent_on_change_only(
        self, receiver: Receiver, sinks: Callable[..., OscSink]
    ) -> None:
        """Oracle: docs/osc.md. Of the same ring in its next state only the state is new."""
        sink = sinks(receiver.target(repeat_s=0))
        sink.on_event(event("howling"))
        sink.on_event(event("ringing"))
        for _ in range(20):
            sink.on_snapshot(snapshot(event("ringing")))
        sink.on_event(event("cleared"))
        receiver.until(lambda: receiver.values("/prehowl/worst/state")[-1:] == [0])
        assert receiver.values("/prehowl/channel/1/state") == [3, 2, 0]
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

    def test_worst_is_the_howl_and_not_who_hears_it(
        self, receiver: Receiver, sinks: Callable[..., OscSink]
    ) -> None:
        """Oracle: definition. The bystander is louder; both channels show what they hear."""
        alert = Alert(1, 1, "Vox 1", 1, 9, "Vox 1", "Mix 1", "left wedge")
        sink = sinks(receiver.target(repeat_s=0))
        sink.on_event(event("ringing", number=1, channel=1, alert=alert))
        sink.on_event(event("howling", number=2, channel=4, level_dbfs=-3.0, alert=alert))
        receiver.until(lambda: receiver.values("/prehowl/worst/state")[-1:] == [3])
        assert set(receiver.values("/prehowl/worst/channel")) == {1}
        assert receiver.values("/prehowl/worst/wedge") == ["left wedge"]
        assert receiver.values("/prehowl/channel/1/state") == [2]
        assert receiver.values("/prehowl/channel/4/state") == [3]
        told = [values for address, _, values in receiver.got if address == ALERT.address]
        assert [(v[1], v[2], v[3], v[10]) for v in told] == [
            (1, 1, 1, "ringing"),
            (1, 0, 1, "howling"),
        ]

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
        sink = sinks(receiver.target(repeat_s=1))
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
        sink = sinks(receiver.target(repeat_s=0))
        sink.on_snapshot(snapshot())
        receiver.until(lambda: len(receiver.values("/prehowl/heartbeat")) >= 4)
        assert receiver.values("/prehowl/heartbeat")[:4] == [1, 2, 3, 4]
        beats = [message for message in receiver.got if message[0] == "/prehowl/heartbeat"]
        assert beats[0][1:] == (HEARTBEAT.tags, [1, "9.8.7", CONTRACT_VERSION])
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
        sink = sinks(receiver.target(repeat_s=0))
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
        sink = sinks(OscTarget(host="127.0.0.1", port=port, repeat_s=1))
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

    def test_first_message_to_a_receiver_that_came_back_is_not_lost(self) -> None:
        """Oracle: udp(7) of Linux: a refusal is reported by the next send, which sends nothing."""
        back = Receiver()
        back.socket.close()
        link = Link("127.0.0.1", back.port)
        assert link.send(b"nobody hears this")
        back.socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        back.socket.bind(("127.0.0.1", back.port))
        back.socket.settimeout(DEADLINE_S)
        assert link.send(b"welcome")
        assert back.socket.recv(100) == b"welcome"
        assert "nothing listens" in link.text()
        link.close()
        back.socket.close()

    def test_unknown_host_is_told_and_tried_again(
        self, receiver: Receiver, sinks: Callable[..., OscSink], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Oracle: a resolver that fails twice, then answers; the board arrives after that."""
        monkeypatch.setattr(osc_sender, "BEAT_S", 0.1)
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
        howl = event("howling")
        sink.on_event(howl)

        def heard() -> bool:
            sink.on_snapshot(snapshot(howl))
            return receiver.values("/prehowl/channel/1/state") == [3]

        receiver.until(heard)
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
