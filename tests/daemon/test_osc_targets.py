"""Mapped receivers on real sockets: UDP and TCP, lost events, an address that changes."""

import contextlib
import socket
import threading
from collections.abc import Iterator, Sequence
from dataclasses import replace

import pytest
from osc_receiver import Receiver, decoded, event, snapshot, wait_for
from pythonosc import slip

from prehowl.daemon.events import RingEvent
from prehowl.daemon.osc_map import rule
from prehowl.daemon.osc_map.arguments import Argument, argument_of
from prehowl.daemon.osc_map.fields import Known, Told
from prehowl.daemon.osc_map.mapper import Mapper
from prehowl.daemon.osc_map.templates import Template, address_of
from prehowl.daemon.show.osc_tables import MapArgument, OscMap, OscTarget
from prehowl.daemon.sinks.osc import OscSink
from prehowl.daemon.sinks.osc_bytes import Value
from prehowl.daemon.sinks.osc_link import Link
from prehowl.daemon.sinks.osc_sender import QUEUE_LENGTH, Sender
from prehowl.daemon.sinks.osc_stream import StreamLink

TEXT = MapArgument("string", "{channel_name} {label}")


class StreamServer:
    """A TCP server that keeps what each connection sent, or does not read at all."""

    def __init__(self, *, reads: bool = True, port: int = 0) -> None:
        self.listening = socket.create_server(("127.0.0.1", port))
        self.port: int = self.listening.getsockname()[1]
        self.data: list[bytearray] = []
        self.ways: list[socket.socket] = []
        self._reads = reads
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def frames(self) -> list[tuple[str, str, list[object]]]:
        """Return what came as messages, by python-osc's SLIP and oscpy's reading."""
        raw = b"".join(map(bytes, self.data))
        return [decoded(slip.decode(b"\xc0" + f + b"\xc0")) for f in raw.split(b"\xc0") if f]

    def close(self) -> None:
        """Hang up on everybody."""
        with contextlib.suppress(OSError):
            self.listening.shutdown(socket.SHUT_RDWR)  # wakes the thread that waits in accept
        self.listening.close()
        for way in self.ways:
            way.close()
        self._thread.join(5)

    def _serve(self) -> None:
        while True:
            try:
                way, _ = self.listening.accept()
            except OSError:
                return
            self.ways.append(way)
            kept = bytearray()
            self.data.append(kept)
            if self._reads:
                threading.Thread(target=self._read, args=(way, kept), daemon=True).start()

    @staticmethod
    def _read(way: socket.socket, kept: bytearray) -> None:
        try:
            while data := way.recv(65536):
                kept += data
        except OSError:
            return


@pytest.fixture
def server() -> Iterator[StreamServer]:
    made = StreamServer()
    yield made
    made.close()


@pytest.fixture
def receivers() -> Iterator[list[Receiver]]:
    made = [Receiver(), Receiver()]
    yield made
    for one in made:
        one.socket.close()


def test_mappings_go_to_their_own_receivers(receivers: list[Receiver]) -> None:
    """One mapping for A, one for all: oscpy reads at each what is meant for it."""
    one, two = receivers
    maps = (OscMap("/for/a", (TEXT,), targets=("A",)), OscMap("/for/all", (TEXT,)))
    targets = [one.target(name="A", messages=("act",)), two.target(name="B", messages=("act",))]
    sink = OscSink(targets, version="1", maps=maps, known=Known())
    sink.start()
    sink.on_event(event())
    one.until(lambda: len(one.values("/for/all")) == 1)
    two.until(lambda: len(two.values("/for/all")) == 1)
    sink.close()
    assert one.values("/for/a") == ["Vox 1 2.5 kHz -3 dB"]
    assert two.values("/for/a") == []


def test_what_waits_for_its_rate_leaves_at_the_end(receivers: list[Receiver]) -> None:
    """A clean end does not keep back the last word."""
    receiver = receivers[0]
    maps = (OscMap("/x", (MapArgument("int", "{id}"),), send="each", at_most_hz=0.1),)
    sink = OscSink([receiver.target(messages=("heartbeat",))], version="1", maps=maps)
    sink.start()
    sink.on_snapshot(snapshot())
    for number in range(5):
        sink.on_event(event(number=number))
    sink.close()
    receiver.until_bye()
    assert receiver.values("/x") == [0, 4]


def test_after_a_storm_the_lamp_is_right(receivers: list[Receiver]) -> None:
    """The queue overflows before the thread begins; the next snapshot sets the lamp right."""
    receiver = receivers[0]
    maps = (OscMap("/off", send="leave", per="show"), OscMap("/on", per="show"))
    sink = OscSink([receiver.target(messages=("act",))], version="1", maps=maps)
    sink.on_event(event(number=10**6))
    for number in range(QUEUE_LENGTH + 50):
        sink.on_event(event(number=number))
    sink.on_snapshot(snapshot())  # nothing lives any more; no `cleared` was ever seen
    assert dict(sink.dropped())[receiver.target().label] > 0
    sink.start()
    receiver.until(lambda: any(m[0] == "/off" for m in receiver.got))
    sink.close()


class TestStream:
    def test_frames_arrive_whole_and_in_order(self, server: StreamServer) -> None:
        """Oracle: python-osc's SLIP decoder and oscpy; heartbeat, rings and bye over TCP."""
        target = OscTarget("127.0.0.1", server.port, transport="tcp")
        sink = OscSink([target], version="9.8.7")
        sink.start()
        sink.on_snapshot(snapshot())
        for number in range(1, 101):
            sink.on_event(event(number=number))
            sink.on_event(event("cleared", number=number))
        wait_for(lambda: len([f for f in server.frames() if f[0] == "/prehowl/ring"]) == 200)
        assert sink.target_health() == ((target.label, "ok"),)
        sink.close()
        wait_for(lambda: server.frames()[-1][0] == "/prehowl/bye")
        rings = [values[1] for address, _, values in server.frames() if address == "/prehowl/ring"]
        assert rings == [number for number in range(1, 101) for _ in range(2)]

    def test_nobody_there_is_told_and_tried_again(self) -> None:
        """A refused connection is named; once somebody listens, it comes up by itself."""
        probe = socket.create_server(("127.0.0.1", 0))
        port = probe.getsockname()[1]
        probe.close()
        sink = OscSink(
            [OscTarget("127.0.0.1", port, transport="tcp")], version="1", pause_first_s=0.05
        )
        sink.start()
        wait_for(lambda: "refused" in sink.target_health()[0][1])
        server = StreamServer(port=port)

        def is_up() -> bool:
            sink.on_snapshot(snapshot())
            return sink.target_health()[0][1] == "ok" and bool(server.frames())

        wait_for(is_up)
        sink.close()
        server.close()

    def test_one_that_does_not_read_is_given_up(self) -> None:
        """Once the buffers are full a frame waits a moment, then the connection is given up."""
        server = StreamServer(reads=False)
        link = StreamLink("127.0.0.1", server.port, pause_first_s=30)
        for _ in range(1000):
            if not link.send(bytes(60_000)):
                break
        assert "does not read" in link.text()
        link.close()
        server.close()

    def test_one_that_talks_back_is_not_listened_to(self, server: StreamServer) -> None:
        """Garbage from the receiver is thrown away; a hang-up is noticed at the next packet."""
        link = StreamLink("127.0.0.1", server.port, pause_first_s=30)
        assert link.send(b"/a\0\0,\0\0\0")
        wait_for(lambda: bool(server.ways))
        server.ways[0].sendall(bytes(range(256)) * 100)
        assert link.send(b"/b\0\0,\0\0\0")
        wait_for(lambda: [f[0] for f in server.frames()] == ["/a", "/b"])
        server.ways[0].shutdown(socket.SHUT_RDWR)
        wait_for(lambda: not link.send(b"/c\0\0,\0\0\0"))
        assert "hung up" in link.text() or "reset" in link.text().lower()
        link.close()


def test_a_name_that_moves_is_followed(receivers: list[Receiver]) -> None:
    """The name leads to one receiver, then to another; no failure tells, only looking again."""
    old, new = receivers
    port = [old.port]

    def resolve(_host: str, _port: int, **_more: object) -> list:
        kind = (socket.AF_INET, socket.SOCK_DGRAM, 0)
        return [(*kind, "", ("127.0.0.1", port[0]))]

    link = Link("tablet.example", 9000, resolve=resolve, refresh_s=0.01)
    assert link.send(b"/a\0\0,\0\0\0")
    port[0] = new.port

    def has_moved() -> bool:
        link.send(b"/b\0\0,\0\0\0")
        return link.opened == 2

    wait_for(has_moved)
    new.until(lambda: any(m[0] == "/b" for m in new.got))
    link.close()


def test_a_name_server_that_is_away_changes_nothing(receivers: list[Receiver]) -> None:
    """What works goes on while the name cannot be looked up again."""
    receiver, calls = receivers[0], []

    def resolve(*_a: object, **_more: object) -> list:
        calls.append(1)
        if len(calls) > 1:
            raise socket.gaierror(-3, "try again")
        kind = (socket.AF_INET, socket.SOCK_DGRAM, 0)
        return [(*kind, "", ("127.0.0.1", receiver.port))]

    link = Link("tablet.example", 9000, resolve=resolve, refresh_s=0.01)

    def has_looked() -> bool:
        assert link.send(b"/a\0\0,\0\0\0")
        return len(calls) > 2

    wait_for(has_looked)
    assert (link.opened, link.text()) == (1, "ok")
    link.close()


LAMP = (
    OscMap("/lamp/{channel}", (MapArgument("int", "1"),)),
    OscMap("/lamp/{channel}", (MapArgument("int", "0"),), send="leave"),
)


@pytest.mark.parametrize("how", ["renamed", "without mappings", "left out", "closed"])
def test_no_lamp_outlives_its_mapping(receivers: list[Receiver], how: str) -> None:
    """Oracle: docs/osc.md and docs/service.md. A howl lives while its mapping, its receiver or the
    whole run comes to an end: the lamp goes out before the goodbye."""
    receiver = receivers[0]
    target = receiver.target(messages=("heartbeat",))
    sink = OscSink([target], version="1", maps=LAMP)
    sink.start()
    howl = event("howling")
    sink.on_event(howl)
    sink.on_snapshot(snapshot(howl))
    receiver.until(lambda: receiver.values("/lamp/1") == [1])
    if how == "closed":  # without any `cleared`: a second Ctrl-C, or a fault
        sink.close()
    else:
        renamed = [replace(wanted, address="/other/{channel}") for wanted in LAMP]
        maps = renamed if how == "renamed" else []
        sink.take_show([] if how == "left out" else [target], maps, Known())
    receiver.until_bye()
    order = [(where, values[0]) for where, _, values in receiver.got if "heartbeat" not in where]
    assert order[:2] == [("/lamp/1", 1), ("/lamp/1", 0)]
    assert order[2][0] == "/prehowl/bye"
    if how == "renamed":
        receiver.until(lambda: receiver.values("/other/1") == [1])
    sink.close()


class TestFaultsOfOurOwn:
    """Oracle: definition. Whatever fails inside, the desk is told, and the receiver gets all that
    does not hang on it: the other mappings, heartbeat, calm, goodbye."""

    def run(self, receiver: Receiver, *maps: OscMap) -> OscSink:
        """Let a howl come and go, then end; return the sink that is closed."""
        sink = OscSink([receiver.target(name="desk")], version="1", maps=(*maps, *LAMP))
        sink.start()

        def says(value: int, *living: RingEvent) -> bool:
            sink.on_snapshot(snapshot(*living))
            return value in receiver.values("/lamp/1")

        howl = event("howling")
        sink.on_event(howl)
        receiver.until(lambda: says(1, howl))
        sink.on_event(event("cleared"))
        receiver.until(lambda: says(0))
        sink.close()
        receiver.until_bye()
        return sink

    @pytest.mark.parametrize("where", ["address", "value", "bytes"])
    def test_a_mapping_that_fails_is_named(
        self, receivers: list[Receiver], monkeypatch: pytest.MonkeyPatch, where: str
    ) -> None:
        """The one fails at each of its messages, before the lamp's; the lamp is lit and put out."""

        def made(wanted: MapArgument) -> Argument:
            return Argument(spoilt) if wanted.value == "{id}" else argument_of(wanted)

        def spoilt(_told: Told) -> Value:
            if where == "value":
                raise ValueError("spoilt")
            return ("i", "no number")

        def placed(text: str) -> Template:
            is_spoilt = where == "address" and text == "/bad"
            return Template((("", "channel", ".1"),)) if is_spoilt else address_of(text)

        monkeypatch.setattr(rule, "address_of", placed)
        monkeypatch.setattr(rule, "argument_of", made)
        bad = OscMap("/bad", (MapArgument("int", "{id}"),), send="each", at_most_hz=1000)
        sink = self.run(receivers[0], bad)
        assert receivers[0].values("/lamp/1") == [1, 0]
        assert receivers[0].values("/prehowl/heartbeat")
        ((name, told),) = sink.target_health()
        assert (name, "the mapping to /bad has failed" in told) == ("desk", True)
        assert "1 message lost" in told

    @pytest.mark.parametrize(
        ("owner", "name"),
        [(Mapper, "take"), (Sender, "_beat"), (Sender, "_send_changes"), (Mapper, "due")],
    )
    def test_a_fault_of_one_moment_is_made_good_and_told(
        self,
        receivers: list[Receiver],
        monkeypatch: pytest.MonkeyPatch,
        owner: type,
        name: str,
    ) -> None:
        """The first call fails; lamp, board and goodbye come right nevertheless."""
        whole, calls = getattr(owner, name), []

        def fails_once(self: object, *args: object, **more: object) -> object:
            calls.append(1)
            if len(calls) == 1:
                raise RuntimeError("a fault\nof two lines")
            return whole(self, *args, **more)

        monkeypatch.setattr(owner, name, fails_once)
        sink = self.run(receivers[0])
        assert receivers[0].values("/lamp/1") == [1, 0]
        assert receivers[0].values("/prehowl/channel/1/state")[-1] == 0
        told = "prehowl's own (RuntimeError: a fault?of two lines); something was not sent"
        assert told in dict(sink.target_health())["desk"]


def test_other_receivers_and_mappings_while_a_ring_lives() -> None:
    """Oracle: definition. Who stays hears one heartbeat after another and no goodbye; who gets a
    mapping is set to calm, told goodbye, then served anew and told of the ring that lives; who is
    left out is set to calm."""
    stays, mapped, left = Receiver(), Receiver(), Receiver()
    targets = [stays.target(name="a"), mapped.target(name="b"), left.target(name="c")]
    sink = OscSink(targets, version="1")
    sink.start()
    howl = event("howling")
    sink.on_event(howl)
    sink.on_snapshot(snapshot(howl))
    for receiver in (stays, mapped, left):
        receiver.until(lambda r=receiver: 3 in r.values("/prehowl/worst/state"))
    wanted = OscMap("/lamp", args=(TEXT,), targets=("b",), states=("howling",))
    sink.take_show(targets[:2], [wanted], Known())
    sink.on_snapshot(snapshot(howl))
    mapped.until(lambda: mapped.values("/prehowl/worst/state") == [3, 0, 3])
    mapped.until(lambda: bool(mapped.values("/lamp")))
    left.until_bye()
    assert mapped.values("/lamp") == ["Vox 1 2.5 kHz -3 dB"]
    assert left.values("/prehowl/worst/state")[-1] == 0
    names = [name for name, _ in sink.target_health()]
    assert names == ["a", "b"]
    beats = len(mapped.values("/prehowl/heartbeat"))
    sink.take_show(targets[:2], [wanted], Known({1: "mix"}, "New title"))
    sink.on_snapshot(snapshot(howl))
    mapped.until(lambda: len(mapped.values("/prehowl/heartbeat")) > beats)
    assert len(mapped.values("/prehowl/bye")) == 1  # not made anew for that
    sink.close()
    stays.until_bye()
    assert stays.values("/prehowl/bye") == stays.values("/prehowl/heartbeat")[-1:]
    assert stays.values("/prehowl/worst/state") == [3, 0]
    for receiver in (stays, mapped, left):
        receiver.socket.close()


def test_a_new_receiver_waits_for_the_one_before_it_at_its_place_only(monkeypatch) -> None:
    """Oracle: definition. Of two that leave, only one is served anew; of two that are alike, both
    end."""
    waited: list[list[tuple[str, int]]] = []
    before = set(threading.enumerate())
    start = Sender.start

    def noted(sender: Sender, *, after: Sequence[Sender] = ()) -> None:
        waited.append([old.place for old in after])
        start(sender, after=after)

    first, second = (OscTarget("127.0.0.1", port) for port in (9, 19))
    sink = OscSink([first, first, second], version="1", channels=[1])
    sink.start()
    monkeypatch.setattr(Sender, "start", noted)
    third = OscTarget("127.0.0.1", 29)
    sink.take_show([replace(second, repeat_s=1), third], [], Known())
    assert waited == [[("127.0.0.1", 19)], []]
    sink.close()
    assert set(threading.enumerate()) <= before
