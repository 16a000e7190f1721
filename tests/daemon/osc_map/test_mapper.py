"""Mappings at work: filters, occasions, rates, bundles; and the examples of configs/."""

import struct
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from osc_receiver import event
from oscpy.parser import read_packet
from pythonosc import slip
from pythonosc.osc_bundle import OscBundle
from pythonosc.osc_packet import OscPacket

from prehowl.daemon.events import Alert
from prehowl.daemon.osc_map.fields import Known
from prehowl.daemon.osc_map.limiter import MOST_ADDRESSES, Limiter, Mapped
from prehowl.daemon.osc_map.mapper import Mapper
from prehowl.daemon.show import load_show
from prehowl.daemon.show.osc_tables import MapArgument, OscMap
from prehowl.daemon.sinks.osc_bytes import bundle_bytes, message_bytes, slip_frame, time_tag

CONFIGS = Path(__file__).parents[3] / "configs"
WALL_S = 1_700_000_000.25


def said(packets: list[bytes]) -> list[tuple[str, list[object]]]:
    """Return address and values of every message, by oscpy's reading.

    oscpy takes a blob's size for a count of 8-byte words and knows no flags: those by python-osc.
    """
    found: list[tuple[str, list[object]]] = []
    for packet in packets:
        if b",b" in packet or b",T" in packet or b",F" in packet:
            found += [(m.message.address, m.message.params) for m in OscPacket(packet).messages]
        else:
            messages = read_packet(packet, encoding="utf-8")
            found += [(address.decode(), list(values)) for address, _, values, _ in messages]
    return found


def addresses(packets: list[bytes]) -> list[str]:
    return [address for address, _ in said(packets)]


class Bench:
    """A mapper with a clock by hand."""

    def __init__(self, *maps: OscMap, known: Known | None = None) -> None:
        self.mapper = Mapper(maps, known or Known())
        self.now_s = 100.0

    def take(self, *args: object, **more: object) -> list[bytes]:
        self.mapper.take(event(*args, **more), WALL_S, self.now_s)  # type: ignore[arg-type]
        return self.due()

    def due(self, after_s: float = 0.0) -> list[bytes]:
        self.now_s += after_s
        return self.mapper.due(WALL_S, self.now_s)


ON = OscMap("/on", send="enter", at_most_hz=1000)
OFF = OscMap("/off", send="leave", at_most_hz=1000)


def heard(id_: int, channel: int, state: str = "ringing", lead: int = 1) -> dict[str, object]:
    """Return what makes a ring of alert 1: microphone 1, mix 9."""
    alert = Alert(1, lead, f"Ch {lead}", 1, 9, "Ch 1", "Mix 1", "left wedge")
    return {"number": id_, "channel": channel, "state": state, "alert": alert}


class TestOneHowlOnManyChannels:
    """Oracle: definition; docs/osc.md, mappings."""

    def test_it_enters_and_leaves_once(self) -> None:
        """Three channels ring: one message; the last that clears leaves."""
        bench = Bench(ON, OFF)
        told = [bench.take(**heard(n, channel)) for n, channel in ((1, 1), (2, 9), (3, 4))]
        assert [addresses(packets) for packets in told] == [["/on"], [], []]
        told = [bench.take(**heard(n, ch, "cleared")) for n, ch in ((1, 1), (2, 9), (3, 4))]
        assert [addresses(packets) for packets in told] == [[], [], ["/off"]]

    def test_every_channel_can_be_asked_for(self) -> None:
        """`each_channel` counts the ring of every channel."""
        each = OscMap("/on/{channel}", each_channel=True, at_most_hz=1000)
        bench = Bench(each)
        told = [bench.take(**heard(n, channel)) for n, channel in ((1, 1), (2, 9), (3, 4))]
        assert [addresses(packets) for packets in told] == [["/on/1"], ["/on/9"], ["/on/4"]]

    @pytest.mark.parametrize(
        ("wanted", "passes"),
        [
            ({"kinds": ("mix",)}, True),
            ({"channels": (9,)}, True),
            ({"channels": (1,)}, True),
            ({"channels": (4,)}, False),  # only hears it
        ],
    )
    def test_it_passes_by_the_channels_that_it_names(
        self, wanted: dict[str, object], passes: bool
    ) -> None:
        """A lamp of the mix wants the howls of its loop, a bystander's lamp does not."""
        known = Known({1: "mic", 4: "mic", 9: "mix"})
        bench = Bench(OscMap("/on", at_most_hz=1000, **wanted), known=known)  # type: ignore[arg-type]
        told = [*bench.take(**heard(1, 1)), *bench.take(**heard(2, 4))]
        assert addresses(told) == ["/on"] * passes

    def test_another_kind_moves_who_goes_by_it_and_nobody_else(self) -> None:
        """Channel 1 turns out to be a reference: its lamp by kind goes off at the old address, and
        a lamp of references on; a lamp that minds no kind notices nothing, nor does a new title."""
        kinds = {1: "mic"}
        more = {"per": "channel", "at_most_hz": 1000}
        references = OscMap("/refs", kinds=("reference",), **more)  # type: ignore[arg-type]
        on, off = (OscMap(f"/{s}/{{kind}}", send=s, **more) for s in ("enter", "leave"))  # type: ignore[arg-type]
        bench = Bench(on, off, references, ON, OFF, known=Known(kinds))
        assert addresses(bench.take(number=1, channel=1)) == ["/enter/mic", "/on"]
        bench.mapper.take_known(Known(kinds, "New title"), WALL_S, bench.now_s)
        assert bench.due() == []
        bench.mapper.take_known(Known({1: "reference"}), WALL_S, bench.now_s)
        assert addresses(bench.due()) == ["/enter/reference", "/leave/mic", "/refs"]

    def test_better_names_ring_no_second_time_but_move_a_lamp(self) -> None:
        """The mix led, then the microphone: one message a howl; each lamp is lit and put out."""
        lamps = (
            OscMap("/lamp/{channel}/on", at_most_hz=1000),
            OscMap("/lamp/{channel}/off", send="leave", at_most_hz=1000),
        )
        bench = Bench(ON, *lamps)
        assert addresses(bench.take(**heard(1, 9, lead=9))) == ["/on", "/lamp/9/on"]
        assert sorted(addresses(bench.take(**heard(2, 1)))) == ["/lamp/1/on", "/lamp/9/off"]

    def test_at_an_end_no_lamp_stays_lit(self) -> None:
        """Oracle: definition. Two rings live, and one lamp's off would have to wait for its rate:
        at the end each lamp is out, once, with the state `cleared`; then there is nothing left."""
        off = {"send": "leave", "args": (MapArgument("string", "{state}"),)}
        bench = Bench(
            OscMap("/lamp/{channel}", per="channel", at_most_hz=0.1),
            OscMap("/lamp/{channel}", per="channel", at_most_hz=0.1, **off),  # type: ignore[arg-type]
            OscMap("/off", per="show", **off),  # type: ignore[arg-type]
            OscMap("/bar", send="while"),
        )
        for number in (1, 2, 3):
            bench.take(number=number, channel=1 + number % 2)
        left = said(bench.mapper.rest(WALL_S, bench.now_s))
        lamps = [(f"/lamp/{channel}", ["cleared"]) for channel in (1, 2)]
        assert sorted(left) == [*lamps, ("/off", ["cleared"])]
        assert bench.mapper.rest(WALL_S, bench.now_s) == []
        assert bench.mapper.next_s() == float("inf")

    @pytest.mark.parametrize(
        ("address", "more"),
        [
            ("/lamp/{band_hz}", {"band_hz": 2500}),
            ("/lamp/{channel_name}", {"channel_name": "Ida"}),
            ("/lamp/{channel}/{band_hz}", {"band_hz": 31.5}),
            ("/lamp/{state}", {}),
            ("/lamp/{state_number}", {}),
        ],
    )
    @pytest.mark.parametrize("per", ["ring", "channel", "show"])
    @pytest.mark.parametrize("has_howl", [True, False])
    def test_what_is_lit_is_put_out_at_its_own_address(
        self, address: str, more: dict[str, object], per: str, has_howl: bool
    ) -> None:
        """Oracle: definition. A ring whose band, name or state changes, whether it howls on the
        way or clears at once, leaves every lamp dark that it lit."""
        lamp = {"per": per, "at_most_hz": 1000, "args": (MapArgument("int", "{alarm}"),)}
        bench = Bench(*(OscMap(address, send=s, **lamp) for s in ("enter", "leave")))  # type: ignore[arg-type]
        lit: list[tuple[str, list[object]]] = []
        for state in ("ringing", "howling", "cleared"):
            if state != "howling" or has_howl:
                told = {} if state == "ringing" else more
                lit += said(bench.take(state, **{"band_hz": 2000, **told}))
            bench.now_s += 1
        now = {where: values[0] for where, values in lit}
        assert len(now) == 1 + has_howl
        assert set(now.values()) == {0}
        assert len(lit) == 2 * len(now)

    def test_a_lamp_of_a_band_is_out_when_nothing_rings_in_it(self) -> None:
        """Two rings in 2 kHz, one moves to 2.5 kHz, the other clears: each lamp by its own."""
        figures = {"per": "show", "at_most_hz": 1000}
        on, off = (OscMap(f"/{s}/{{band_hz}}", send=s, **figures) for s in ("enter", "leave"))  # type: ignore[arg-type]
        bench = Bench(on, off)
        steps = [(1, "ringing", 2000), (2, "ringing", 2000), (1, "ringing", 2500)]
        steps += [(2, "cleared", 2000), (1, "cleared", 2500)]
        got = [addresses(bench.take(s, number=n, band_hz=hz)) for n, s, hz in steps]
        assert got == [["/enter/2000"], [], ["/enter/2500"], ["/leave/2000"], ["/leave/2500"]]

    def test_a_lamp_that_is_left_goes_out_though_the_ring_lives(self) -> None:
        """The act is over, or the howl is a ringing again: {alarm} of what is left is 0, and what
        it says of the state is the truth, or `cleared` where the state is not why it is left."""
        flag = (MapArgument("int", "{alarm}"), MapArgument("string", "{state}"))
        more = {"args": flag, "send": "leave", "each_channel": True, "at_most_hz": 1000}
        bench = Bench(
            OscMap("/act", acts=("Paper Kites",), **more),  # type: ignore[arg-type]
            OscMap("/howl", states=("howling",), **more),  # type: ignore[arg-type]
        )
        assert bench.take("howling", act="Paper Kites") == []
        assert said(bench.take("howling", act="Third Rail")) == [("/act", [0, "cleared"])]
        assert said(bench.take("ringing", act="Third Rail")) == [("/howl", [0, "ringing"])]

    def test_templates_can_name_the_loop(self) -> None:
        """Microphone, mix and wedge; a dash for what is not known."""
        text = MapArgument("string", "{alert}: {mic} / {mix} / {wedge}")
        bench = Bench(OscMap("/text", args=(text,), at_most_hz=1000))
        assert said(bench.take(**heard(2, 1))) == [("/text", ["1: Ch 1 / Mix 1 / left wedge"])]
        bench.now_s += 1.0
        assert said(bench.take(number=7)) == [("/text", ["7: - / - / -"])]

    def test_lost_events_are_made_up_for(self) -> None:
        """Oracle: definition. The living rings are the whole truth after an overflow."""
        bench = Bench(ON, OFF)
        bench.take(**heard(1, 1))
        bench.mapper.reconcile([event(**heard(2, 4))], WALL_S, bench.now_s)  # type: ignore[arg-type]
        assert bench.due() == []
        bench.mapper.reconcile([], WALL_S, bench.now_s)
        assert addresses(bench.due()) == ["/off"]


class TestFilter:
    @pytest.mark.parametrize(
        ("wanted", "fits"),
        [
            ({}, True),
            ({"states": ("suspect",)}, False),
            ({"channels": (2, 3)}, False),
            ({"channels": (1,)}, True),
            ({"kinds": ("mix",)}, False),
            ({"kinds": ("mic", "mix")}, True),
            ({"acts": ("Third Rail",)}, False),
            ({"acts": ("Paper Kites",)}, True),
            ({"band_from_hz": 2500.0, "band_to_hz": 2500.0}, True),
            ({"band_from_hz": 3150.0}, False),
            ({"band_to_hz": 2000.0}, False),
        ],
    )
    def test_only_what_passes_is_sent(self, wanted: dict[str, object], fits: bool) -> None:
        """Oracle: the event (channel 1, a mic, 2.5 kHz, ringing, Paper Kites), by hand."""
        bench = Bench(OscMap("/x", **wanted), known=Known({1: "mic", 2: "mix"}))  # type: ignore[arg-type]
        assert bool(bench.take(act="Paper Kites")) is fits


class TestOccasions:
    def test_enter_and_leave_once_a_ring(self) -> None:
        """Through suspect, ringing, howling, cleared: one on, one off."""
        bench = Bench(ON, OFF)
        states = ("suspect", "ringing", "howling", "cleared")
        assert [addresses(bench.take(state)) for state in states] == [[], ["/on"], [], ["/off"]]

    def test_a_lamp_per_channel_goes_off_with_the_last_ring(self) -> None:
        """Two rings on channel 1, one on 2: on at the first of each, off at the last of each."""
        bench = Bench(
            OscMap("/{channel}/on", per="channel", at_most_hz=1000),
            OscMap("/{channel}/off", send="leave", per="channel", at_most_hz=1000),
        )
        steps = [(1, 1, "ringing"), (2, 1, "ringing"), (3, 2, "ringing")]
        steps += [(1, 1, "cleared"), (3, 2, "cleared"), (2, 1, "cleared")]
        got = [addresses(bench.take(state, number=n, channel=c)) for n, c, state in steps]
        assert got == [["/1/on"], [], ["/2/on"], [], ["/2/off"], ["/1/off"]]

    def test_each_is_every_event_that_passes(self) -> None:
        """Ringing and howling pass, suspect and cleared do not."""
        bench = Bench(OscMap("/each", send="each", at_most_hz=1000))
        got = []
        for state in ("suspect", "ringing", "howling", "cleared"):
            got.append(len(bench.take(state)))
            bench.now_s += 1
        assert got == [0, 1, 1, 0]

    def test_while_goes_on_at_its_rate_and_stops(self) -> None:
        """4 Hz over two seconds: nine messages, the first at once; none after the end."""
        bench = Bench(OscMap("/while", send="while", rate_hz=4, at_most_hz=1000))
        count = len(bench.take())
        for _ in range(200):
            count += len(bench.due(0.01))
        assert count == 9
        assert bench.mapper.next_s() < float("inf")
        bench.take("cleared")
        assert bench.due(10.0) == []
        assert bench.mapper.next_s() == float("inf")

    def test_while_is_silent_while_nobody_listens(self) -> None:
        """A hung analysis must not go on telling of a ring."""
        bench = Bench(OscMap("/while", send="while", rate_hz=10, at_most_hz=1000))
        bench.take()
        bench.now_s += 1
        assert bench.mapper.due(WALL_S, bench.now_s, is_alive=False) == []

    def test_while_per_show_tells_the_worst(self) -> None:
        """A howl goes before a ringing one, whatever came first."""
        arg = MapArgument("int", "{channel}")
        bench = Bench(OscMap("/w", (arg,), send="while", per="show", rate_hz=10, at_most_hz=1000))
        bench.take("ringing", number=1, channel=1)
        bench.take("howling", number=2, channel=2)
        assert said(bench.due(0.1)) == [("/w", [2])]

    def test_missed_events_are_made_good(self) -> None:
        """A ring that is no longer among the living has left; a new one has entered."""
        bench = Bench(ON, OFF)
        bench.take(number=1)
        bench.mapper.reconcile([event(number=2)], WALL_S, bench.now_s + 1)
        bench.now_s += 1
        assert sorted(addresses(bench.due())) == ["/off", "/on"]
        bench.mapper.reconcile([event(number=2)], WALL_S, bench.now_s + 1)
        assert bench.due(1) == []


class TestRate:
    def test_the_latest_wins(self) -> None:
        """1000 rings within a second at 10 Hz: some 11 messages, the last of them the last ring."""
        arg = MapArgument("int", "{id}")
        bench = Bench(OscMap("/x", (arg,), send="each", at_most_hz=10))
        got: list[tuple[str, list[object]]] = []
        for n in range(1000):
            got += said(bench.take(number=n))
            bench.now_s += 0.001
        got += said(bench.due(0.2))
        assert 10 <= len(got) <= 12
        assert got[0] == ("/x", [0])
        assert got[-1] == ("/x", [999])
        assert bench.mapper.replaced == 1000 - len(got)

    def test_an_on_that_waited_never_follows_its_off(self) -> None:
        """On, off, on held back, off: what was held back is untrue by then and is let go."""
        bench = Bench(
            OscMap("/on", per="show", at_most_hz=1),
            OscMap("/off", send="leave", per="show", at_most_hz=1),
        )
        assert addresses(bench.take(number=1)) == ["/on"]
        bench.now_s += 0.9
        assert addresses(bench.take("cleared", number=1)) == ["/off"]
        assert bench.take(number=2) == []
        bench.now_s += 0.05
        assert bench.take("cleared", number=2) == []
        assert addresses(bench.due(2.0)) == ["/off"]

    @given(st.lists(st.tuples(st.integers(0, 3), st.floats(0, 0.3)), min_size=1, max_size=60))
    def test_no_address_is_faster_than_its_rate_and_none_stays_behind(self, steps) -> None:
        """Property: at each address the gaps hold, order is kept, and the newest gets out."""
        limiter, now_s = Limiter(), 0.0
        out: dict[str, list[tuple[float, int]]] = {}
        last: dict[str, int] = {}

        def collect(at_s: float) -> None:
            for message in limiter.due(at_s):
                out.setdefault(message.address, []).append((at_s, message.values[0][1]))

        for n, (where, gap_s) in enumerate(steps):
            now_s += gap_s
            last[f"/{where}"] = n
            limiter.put(Mapped(f"/{where}", (("i", n),), "none", 0.0, 0.1), now_s)
            collect(now_s)
        collect(now_s + 0.2)
        assert limiter.next_s() == float("inf")
        for address, sent in out.items():
            assert all(b - a >= 0.1 - 1e-9 for (a, _), (b, _) in pairwise(sent))
            assert [n for _, n in sent] == sorted(n for _, n in sent)
            assert sent[-1][1] == last[address]

    def test_memory_is_bounded(self) -> None:
        """More addresses than there can be do not pile up."""
        limiter = Limiter()
        for n in range(3 * MOST_ADDRESSES):
            limiter.put(Mapped(f"/{n}", (), "none", 0.0, 1000.0), 0.0)
        assert len(limiter._slots) <= MOST_ADDRESSES


class TestBytes:
    def test_time_tags_are_those_of_the_standard(self) -> None:
        """Oracle: RFC 5905: 1 January 1970 is 2208988800 s after 1900; a half is 2**31."""
        assert time_tag(0.0) == 2208988800 << 32
        assert time_tag(0.5) == (2208988800 << 32) + 2**31

    def test_a_bundle_holds_what_belongs_to_one_moment(self) -> None:
        """Oracle: oscpy reads one bundle with both messages; the tag is event time plus delay."""
        more = {"bundle": "time", "delay_ms": 250.0}
        bench = Bench(OscMap("/a", **more), OscMap("/b", **more), OscMap("/c"))  # type: ignore[arg-type]
        bundle, plain = bench.take()
        assert addresses([bundle]) == ["/a", "/b"]
        assert addresses([plain]) == ["/c"]
        seconds, fraction = struct.unpack(">II", bundle[8:16])
        assert seconds - 2208988800 + fraction / 2**32 == pytest.approx(WALL_S + 0.25, abs=1e-6)

    def test_immediately_is_the_tag_of_the_standard(self) -> None:
        """Oracle: OSC 1.0: 63 zero bits followed by a one."""
        (bundle,) = Bench(OscMap("/a", bundle="immediate")).take()
        assert bundle == b"#bundle\0" + bytes(7) + b"\1" + b"\0\0\0\x08/a\0\0,\0\0\0"

    def test_python_osc_reads_the_same_bundle(self) -> None:
        """Oracle: python-osc, a second reader."""
        made = OscBundle(bundle_bytes([message_bytes("/a", [("i", 1)])], time_tag(WALL_S)))
        assert made.timestamp == pytest.approx(WALL_S, abs=1e-6)
        assert made.content(0).address == "/a"

    @given(st.binary(max_size=60))
    def test_slip_frames_are_those_of_a_second_implementation(self, data: bytes) -> None:
        """Oracle: python-osc's decoder (RFC 1055). No END is inside a frame."""
        frame = slip_frame(data)
        assert frame[:1] == frame[-1:] == b"\xc0"
        assert b"\xc0" not in frame[1:-1]
        assert slip.decode(frame) == data


class TestExamples:
    """Every example of configs/ does what its comments say."""

    def of(self, name: str, target: str) -> Bench:
        show = load_show(CONFIGS / name)
        kinds = {channel.number: channel.kind for channel in show.channels}
        maps = [m for m in show.maps if target in m.targets]
        assert len(maps) == len(show.maps) > 0
        return Bench(*maps, known=Known(kinds, show.stage.title))

    def test_tablet(self) -> None:
        """Lamp, text, bar and colour of a row, on and off again."""
        bench = self.of("osc-tablet.toml", "Tablet")
        got = said(bench.take("ringing", number=1, channel=1, channel_name="Vox Centre"))
        assert ("/row/1/lamp", [1.0]) in got
        assert ("/row/1/text", ["Vox Centre  2.5 kHz -3 dB"]) in got
        bars = [values[0] for address, values in got if address == "/row/1/bar"]
        assert bars == [pytest.approx(41.8 / 60, abs=1e-6)]
        assert ("/head/colour", [b"\xd0\x20\x20\xff"]) in got
        bench.now_s += 1
        got = said(bench.take("cleared", number=1, channel=1))
        assert ("/row/1/lamp", [0.0]) in got
        assert ("/head/colour", [b"\x20\x20\x20\xff"]) in got

    def test_lighting(self) -> None:
        """A storm of 400 rings in 20 s gives no address more than a message in two seconds."""
        bench = self.of("osc-lighting.toml", "Lighting")
        got: list[tuple[float, str]] = []
        for n in range(400):
            for state in ("ringing", "cleared"):
                got += [(bench.now_s, a) for a in addresses(bench.take(state, number=n))]
                bench.now_s += 0.025
        for address in {"/cue/301/go", "/cue/302/go", "/lamp/desk"}:
            times = [at_s for at_s, where in got if where == address]
            assert times, address
            assert all(b - a >= 2 - 1e-6 for a, b in pairwise(times))
        left = addresses(bench.due(3.0))
        assert "/cue/301/go" not in left  # the lamp's last word is 'off'

    def test_lighting_says_the_caution(self) -> None:
        """The warnings stand beside the example, where they are copied from."""
        text = (CONFIGS / "osc-lighting.toml").read_text(encoding="utf-8")
        for words in ("No strobe", "no blackout", "evacuation", "Ask the lighting crew first"):
            assert words in text

    def test_text_label(self) -> None:
        """Low and high bands go to their own lines; calm comes in a bundle with its time."""
        bench = self.of("osc-text.toml", "Label")
        assert said(bench.take(number=1)) == [("/label/high", ["Vox 1: pull 2.5 kHz by 3 dB"])]
        low = said(bench.take(number=2, band_hz=400))
        assert low == [("/label/low", ["Vox 1: pull 400 Hz by 3 dB"])]
        bench.now_s += 1
        assert bench.take("cleared", number=1) == []
        (bundle,) = bench.take("cleared", number=2, act="Third Rail")
        assert bundle.startswith(b"#bundle\0")
        assert said([bundle])[0][1][0] == "Third Rail: calm since 12 s"
