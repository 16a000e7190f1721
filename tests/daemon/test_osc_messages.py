"""The bytes of what leaves as OSC, against the standard's examples and a second decoder."""

import math
import struct
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from osc_receiver import decoded, event
from pythonosc.osc_message_builder import OscMessageBuilder

from prehowl.daemon import osc_reference
from prehowl.daemon.alerts_now import News
from prehowl.daemon.attach.wire import SPECS, SUBSCRIBE, view_packets
from prehowl.daemon.events import Alert
from prehowl.daemon.facts import facts_of
from prehowl.daemon.notes import Note
from prehowl.daemon.osc_in.decode import messages_in
from prehowl.daemon.osc_in.verbs import FORMS
from prehowl.daemon.sinks.base import Health, Snapshot
from prehowl.daemon.sinks.osc_alert import ALERT, alert_datagram
from prehowl.daemon.sinks.osc_messages import (
    ACT,
    BYE,
    CHECK,
    CONTROL,
    FLAT,
    HEALTH,
    HEARTBEAT,
    RING,
    UNKNOWN,
    WORST_ONLY,
    control_datagram,
    flat_datagram,
    health_datagram,
    label,
    ring_datagram,
    typed,
)
from prehowl.daemon.sources.base import SourceHealth

ROOT = Path(__file__).parents[2]


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
            b",iiissiiffffffssfiiisiisss\0\0"
            b"\x00\x00\x00\x03"  # version 3
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
            b"-\0\0\0"  # no running order
            b"\xc6\x1c\x3c\x00"  # -9999.0: no sheet
            b"\x00\x00\x00\x00"  # so no cap
            b"\x00\x00\x00\x02"  # alert 2
            b"\x00\x00\x00\x01"  # led by channel 1
            b"Vox 1\0\0\0"
            b"\x00\x00\x00\x01"  # its microphone
            b"\x00\x00\x00\x09"  # its mix
            b"Vox 1\0\0\0"
            b"Mix 1\0\0\0"
            b"-\0\0\0"  # no wedge told
        )
        made = event(
            frequency_hz=2513.0,
            level_dbfs=-18.5,
            margin_db=-0.25,
            evidence={"papr_db": 31.2},
            alert=Alert(2, 1, "Vox 1", 1, 9, "Vox 1", "Mix 1"),
        )
        assert ring_datagram(made) == expected

    def test_empty_evidence_is_an_empty_string(self) -> None:
        """Oracle: OSC 1.0: an empty string is four zero bytes."""
        tail = b"\x40\x40\x00\x00" + b"\0\0\0\0" + b"-\0\0\0"
        assert tail in ring_datagram(event(evidence={}))


class TestValues:
    def test_second_implementation_reads_the_same(self) -> None:
        """Oracle: oscpy, an independent implementation, reads back what the event says."""
        address, tags, values = decoded(ring_datagram(event()))
        assert (address, tags) == ("/prehowl/ring", RING.tags)
        assert values[:7] == [3, 3, 1, "Vox 1", "ringing", 12340, 12190]
        assert values[7:13] == pytest.approx([2513.4, 2500, -18.2, 42, -0.3, 3], rel=1e-6)
        assert values[13:17] == ["papr_db=31.2 persistence=0.93", "-", -9999, 0]
        assert values[17:] == [3, 1, "Vox 1", 0, 0, "-", "-", "-"]

    def test_unknown_figures_keep_the_type_string(self) -> None:
        """Oracle: the documented sentinel -9999; the tags are those of a full record."""
        bare = event(onset_s=None, growth_db_per_s=None, margin_db=math.nan, cut_db=math.inf)
        _, tags, values = decoded(ring_datagram(bare))
        assert tags == RING.tags
        assert UNKNOWN == -9999
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
        health = Health(source=SourceHealth(facts=facts_of([detail])))
        assert len(decoded(health_datagram(health))[2]) == len(HEALTH.arguments)

    @pytest.mark.parametrize(
        ("time_s", "time_ms"),
        [
            (0.0, 0),
            (-0.02, 0),
            (2147483.647, 2147483647),
            (2147483.648, 0),
            (30 * 86400.0, 30 * 86_400_000 - 2**31),
        ],
    )
    def test_time_goes_on_after_24_days(self, time_s: float, time_ms: int) -> None:
        """Oracle: docs/osc.md, 0 to 2147483647, then from 0; in every message that has a time."""
        late = event(time_s=time_s, onset_s=time_s)
        note = Note(time_s, "snapshot", "key", True, "")
        levels = np.zeros(1, np.float32)
        shown = Snapshot(time_s, levels, levels, np.zeros((1, 31), np.float32), (), Health())
        assert decoded(ring_datagram(late))[2][5:7] == [time_ms, time_ms]
        assert decoded(alert_datagram(News(late, announces=True, heard=1)))[2][12] == time_ms
        assert decoded(control_datagram(note))[2][-1] == time_ms
        (view,) = view_packets(shown, 1)
        assert messages_in(view)[1].arguments[0] == time_ms

    def test_a_device_that_was_away_for_a_day_is_not_unknown(self) -> None:
        """Oracle: docs/osc.md: a count stands at 2147483647 from there on; 24 h at 48 kHz."""
        source = SourceHealth("running", 1, 24 * 3600 * 48000)
        assert decoded(health_datagram(Health(source=source)))[2][1:4] == [1, 0, 2**31 - 1]

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

    def test_label_of_a_suspect_names_the_band_only(self) -> None:
        """Oracle: docs/osc.md. A suspect is no alarm, so nobody is told to pull."""
        assert label(event("suspect")) == "2.5 kHz"

    def test_label_marks_a_test(self) -> None:
        """Oracle: docs/osc.md. A test alert cannot be taken for a ring."""
        assert label(event(evidence={"test": 1.0})) == "TEST 2.5 kHz -3 dB"

    def test_health_in_documented_order(self) -> None:
        """Oracle: oscpy and the order of docs/osc.md."""
        health = Health(
            source=SourceHealth("waiting", 2, 480, facts_of(["cable out"])),
            load=np.float64(0.5),
            dropped_blocks=7,
        )
        assert decoded(health_datagram(health)) == (
            "/prehowl/health",
            ",fiiiss",
            [0.5, 2, 7, 480, "waiting", "cable out"],
        )


def test_reference_page_is_that_of_the_code() -> None:
    """Oracle: the code. Mend with `python -m prehowl.daemon.osc_reference > docs/osc.md`."""
    assert (ROOT / "docs" / "osc.md").read_text(encoding="utf-8") == osc_reference.page()


def test_every_hex_dump_of_the_page_is_a_message_to_a_second_reader() -> None:
    """Oracle: oscpy reads each dump whole; together they show every address that there is."""
    text = (ROOT / "docs" / "osc.md").read_text(encoding="utf-8")
    shown = set()
    for block in text.split("```hex\n")[1:]:
        rows = [line.split("  ")[0] for line in block.split("```")[0].splitlines()]
        address, tags, values = decoded(bytes.fromhex("".join(rows)))
        assert len(values) == len(tags) - 1
        shown.add(address)
    wanted = {spec.address for spec in (RING, CONTROL, HEARTBEAT, BYE, HEALTH, CHECK, SUBSCRIBE)}
    wanted |= {form.address.replace("<n>", "1") for form in FORMS}
    wanted |= {f"/prehowl/channel/1/{name}" for name, *_ in FLAT}
    wanted |= {f"/prehowl/worst/{name}" for name, *_ in (*FLAT, *WORST_ONLY)}
    wanted |= {f"/prehowl/act/{name}" for name, *_ in ACT}
    assert wanted <= shown


def test_every_value_has_its_range() -> None:
    """Oracle: the tables; a name without a range would stop the page, one too many is stale."""
    specs = (RING, ALERT, CONTROL, HEARTBEAT, BYE, HEALTH, CHECK, *SPECS)
    assert set(osc_reference.RANGES) == {name for spec in specs for _, name in spec.arguments}
