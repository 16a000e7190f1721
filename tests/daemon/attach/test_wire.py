"""A snapshot over the wire and back; what a second implementation reads; damage."""

import random
from dataclasses import replace

import numpy as np
import pytest
from fakes import event, snapshot
from hypothesis import given
from hypothesis import strategies as st
from osc_packets import mutated, random_packet
from oscpy.parser import read_bundle

from prehowl.daemon.attach.reader import NotUnderstood, Reader
from prehowl.daemon.attach.wire import (
    MOST_PACKET,
    PART,
    SPECS,
    Shown,
    packets,
    show_packets,
    view_packets,
)
from prehowl.daemon.events import Alert
from prehowl.daemon.facts import facts_of
from prehowl.daemon.notes import Note
from prehowl.daemon.osc_in.decode import messages_in
from prehowl.daemon.sinks.base import Health, OscInCounts, Snapshot
from prehowl.daemon.sinks.osc_bytes import message_bytes
from prehowl.daemon.sinks.osc_messages import control_datagram, ring_datagram
from prehowl.daemon.sources.base import SourceHealth
from prehowl.detectors.rings import RingState

WEAK = (frozenset({0, 21}), frozenset(), frozenset({30}))
SHOWN = Shown("Field", "9.8.7", (1, 2, 17), ("Vox 1", "Gäst 歌手", "Mix 1"), WEAK)
ALERT = Alert(1, 1, "Vox 1", 1, 17, "Vox 1", "Mix 1", None)


def moment(rows: int = 3, rings: int = 2) -> Snapshot:
    dice = np.random.default_rng(4)
    health = Health(
        SourceHealth("waiting", 3, 480, facts_of(["cable out"])),
        0.25,
        7,
        (("Tablet", "ok"), ("Lamp", "gone")),
    )
    return Snapshot(
        time_s=12.5,
        level_dbfs=dice.uniform(-90, 0, rows).astype(np.float32),
        peak_dbfs=dice.uniform(-90, 0, rows).astype(np.float32),
        suspicion=dice.uniform(0, 1, (rows, 31)).astype(np.float32),
        rings=tuple(
            replace(
                event(RingState.HOWLING, id=i, channel=1, evidence={}),
                act="Paper Kites",
                sheet_cut_db=6.0,
                sheet_at_cap=True,
                alert=ALERT,
            )
            for i in range(1, rings + 1)
        ),
        health=health,
        act="Paper Kites",
        next_act=None,
        act_number=2,
        acts=2,
        held=frozenset({1, 17}),
    )


def heard(told: list[bytes], reader: Reader | None = None) -> list:
    reader = reader or Reader()
    return [reader.read(packet) for packet in told]


class TestRoundTrip:
    def test_a_snapshot_comes_back(self) -> None:
        """Oracle: what was sent; levels to a tenth of a dB, suspicion to 1/255, figures to f32."""
        sent, reader = moment(), Reader()
        (shown,) = [h.shown for h in heard(show_packets(SHOWN, 1), reader) if h.shown]
        (got,) = [h.snapshot for h in heard(view_packets(sent, 2), reader) if h.snapshot]
        assert shown == SHOWN
        assert got.names == SHOWN.names
        assert {n: weak.indices for n, weak in got.weak_bands.items()} == {1: WEAK[0], 17: WEAK[2]}
        np.testing.assert_allclose(got.level_dbfs, sent.level_dbfs, atol=0.0501)
        np.testing.assert_allclose(got.peak_dbfs, sent.peak_dbfs, atol=0.0501)
        np.testing.assert_allclose(got.suspicion, sent.suspicion, atol=0.5 / 255 + 1e-6)
        assert (got.time_s, got.health, got.held) == (12.5, sent.health, sent.held)
        assert (got.act, got.next_act, got.act_number, got.acts) == ("Paper Kites", None, 2, 2)
        for ring, original in zip(got.rings, sent.rings, strict=True):
            assert ring.record()["frequency_hz"] == original.record()["frequency_hz"]
            assert replace(ring, frequency_hz=0, level_dbfs=0, margin_db=0) == replace(
                original, frequency_hz=0, level_dbfs=0, margin_db=0
            )

    def test_what_came_in_is_a_line_of_the_attached_screen_too(self) -> None:
        """Oracle: the words of the daemon's own screen."""
        counts, sent, reader = OscInCounts("0.0.0.0:9010", 5, 2), moment(), Reader()
        heard(show_packets(SHOWN, 1), reader)
        told = view_packets(replace(sent, health=replace(sent.health, osc_in=counts)), 2)
        (got,) = [h.snapshot for h in heard(told, reader) if h.snapshot]
        assert got.health.targets == (*sent.health.targets, (counts.words, "ok"))

    def test_events_and_notes_come_back(self) -> None:
        """Oracle: what was sent; what is not known stays unknown."""
        one = event(growth_db_per_s=None, cut_db=None, evidence={})
        note = Note(61.5, "next_act", "key", True, "act 2 of 2: Third Rail", act="Third Rail")
        first, second = heard([ring_datagram(one), control_datagram(note)])
        assert first.events[0].growth_db_per_s is None
        assert first.events[0].record()["channel_name"] == "Vox 1"
        assert second.notes == [note]

    @pytest.mark.parametrize(("rows", "rings"), [(1, 0), (16, 3), (64, 40), (256, 200)])
    def test_every_packet_passes_any_network(self, rows: int, rings: int) -> None:
        """Oracle: IPv6's least packet of 1280 bytes less its headers (RFC 8200), by length."""
        names = tuple("N" * 40 for _ in range(rows))
        shown = Shown("T" * 80, "9.8.7", tuple(range(1, rows + 1)), names)
        told = [*show_packets(shown, 1), *view_packets(moment(rows, rings), 2)]
        assert max(map(len, told)) <= MOST_PACKET + 32
        got = heard(told)
        assert got[-1].snapshot is not None

    def test_a_second_implementation_reads_the_first_part(self) -> None:
        """Oracle: oscpy. The head of each bundle is the documented `part`."""
        told = packets("view", 7, [message_bytes("/a", [("i", 1)])])
        _, messages = read_bundle(told[0], encoding="utf-8")
        assert messages[0][0].decode() == PART.address
        assert list(messages[0][2]) == ["view", 7, 1, 1]
        assert messages[1][0] == b"/a"

    def test_a_lost_part_loses_the_view_and_no_more(self) -> None:
        """Half a view is never shown; the next whole one is."""
        reader = Reader()
        shown = Shown("T", "1", tuple(range(1, 65)), ("x",) * 64)
        heard(show_packets(shown, 1), reader)
        told = view_packets(moment(64), 2)
        assert len(told) > 1
        assert [h.snapshot for h in heard(told[1:], reader)] == [None] * (len(told) - 1)
        assert heard(view_packets(moment(64), 3), reader)[-1].snapshot is not None

    def test_a_snapshot_without_channels(self) -> None:
        """Before the first audio there may be nothing to tell of; it still is a packet."""
        empty = snapshot(0)
        assert all(messages_in(packet) for packet in view_packets(empty, 1))

    def test_levels_that_are_no_numbers_are_silence(self) -> None:
        """-inf of digital silence, and NaN, arrive as the lowest level."""
        reader = Reader()
        heard(show_packets(Shown("T", "1", (1, 2), ("a", "b")), 1), reader)
        odd = replace(snapshot(2), level_dbfs=np.array([-np.inf, np.nan], np.float32))
        got = heard(view_packets(odd, 2), reader)[-1].snapshot
        np.testing.assert_array_equal(got.level_dbfs, [-300, -300])


def test_another_contract_is_refused_with_both_numbers() -> None:
    """A screen of another version says so, instead of showing nonsense."""
    packet = message_bytes("/prehowl/attach/show", [("i", 99), ("i", 0), ("s", "T"), ("s", "1")])
    with pytest.raises(NotUnderstood, match="contract 99, this is 3"):
        heard(packets("show", 1, [packet]))


def test_damage_is_refused_or_harmless() -> None:
    """20 000 damaged packets and 5 000 of noise: nothing but NotUnderstood comes out."""
    dice, reader = random.Random(6), Reader()
    good = [*show_packets(SHOWN, 1), *view_packets(moment(), 2), ring_datagram(event())]
    heard(good, reader)
    refused = 0
    for i in range(25_000):
        packet = mutated(good[i % len(good)], dice) if i < 20_000 else random_packet(dice)
        try:
            reader.read(packet)
        except NotUnderstood:
            refused += 1
    assert refused > 12_500
    assert heard(good, reader)[1].snapshot is not None


@given(st.lists(st.binary(min_size=4, max_size=400).map(lambda b: b[: len(b) // 4 * 4])))
def test_parts_keep_everything_in_order(blobs: list[bytes]) -> None:
    """Property: put together, the parts hold each message once, in order."""
    messages = [message_bytes("/x", [("b", blob)]) for blob in blobs]
    told = packets("view", 1, messages)
    inside = [m for packet in told for m in messages_in(packet)]
    assert [m.arguments[0] for m in inside if m.address == "/x"] == blobs
    assert [m.arguments for m in inside if m.address == PART.address] == [
        ("view", 1, i, len(told)) for i in range(1, len(told) + 1)
    ]


def test_every_spec_has_its_own_address() -> None:
    """Oracle: the table."""
    assert len({spec.address for spec in SPECS}) == len(SPECS)
