"""OSC bytes to messages: the specification's examples, a second implementation, and damage."""

import random
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from osc_packets import IMMEDIATELY, SPEC_EXAMPLES, bundle, message, mutated, text, valid_packets
from oscpy.parser import format_bundle, format_message
from pythonosc.osc_bundle_builder import OscBundleBuilder
from pythonosc.osc_message_builder import OscMessageBuilder

from prehowl.daemon.osc_in.decode import DEEPEST, MOST_BYTES, Malformed, Message, messages_in

NAMES = st.text("abcdefghijklmnopqrstuvwxyz/_-.:0123456789", min_size=1, max_size=30)
TEXTS = st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]), max_size=30)
SINGLE = st.floats(width=32, allow_nan=False)
LONG = st.integers(-(2**31), 2**31 - 1)


@pytest.mark.parametrize(("packet", "said"), SPEC_EXAMPLES)
def test_reads_the_specifications_examples(packet: bytes, said: tuple[str, str, tuple]) -> None:
    """Oracle: OSC 1.0 (Wright 2002), examples page, byte for byte."""
    (found,) = messages_in(packet)
    assert (found.address, found.tags) == said[:2]
    assert found.arguments == pytest.approx(said[2]) if "s" not in said[1] else True
    for value, wanted in zip(found.arguments, said[2], strict=True):
        assert value == (wanted if isinstance(wanted, str) else pytest.approx(wanted, rel=1e-7))


@given(NAMES, st.lists(st.one_of(LONG, SINGLE, TEXTS.filter(bool)), max_size=6))
def test_reads_what_a_second_implementation_writes(name: str, values: list[object]) -> None:
    """Oracle: oscpy's encoder. Same address, same values."""
    packet, _ = format_message(f"/{name}", values, encoding="utf-8")
    (found,) = messages_in(packet)
    assert found.address == f"/{name}"
    assert list(found.arguments) == values


@given(st.booleans(), st.binary(min_size=1, max_size=40), TEXTS)
def test_reads_flags_blobs_and_texts_of_a_third(flag: bool, blob: bytes, words: str) -> None:
    """Oracle: python-osc's builder for the types that oscpy does not write."""
    builder = OscMessageBuilder("/x")
    for tag, value in (("T" if flag else "F", flag), ("b", blob), ("s", words)):
        builder.add_arg(value, tag)
    (found,) = messages_in(builder.build().dgram)
    assert found == Message("/x", f"{'T' if flag else 'F'}bs", (flag, blob, words))


def test_reads_bundles_of_both_implementations() -> None:
    """Oracle: oscpy's and python-osc's bundles; nested ones in order, time tags passed over."""
    made, _ = format_bundle([[b"/a", [1]], [b"/b", [2]]])
    assert [m.address for m in messages_in(made)] == ["/a", "/b"]
    inner, outer = OscBundleBuilder(2e9), OscBundleBuilder(1)
    inner.add_content(OscMessageBuilder("/inner").build())
    outer.add_content(inner.build())
    outer.add_content(OscMessageBuilder("/outer").build())
    assert [m.address for m in messages_in(outer.build().dgram)] == ["/inner", "/outer"]


def nested(depth: int) -> bytes:
    packet = message("/a")
    for _ in range(depth):
        packet = bundle(packet)
    return packet


@pytest.mark.parametrize(
    ("packet", "why"),
    [
        (b"", "multiple of 4"),
        (b"/a\0", "multiple of 4"),
        (b"#bundle\0", "without time tag"),
        # Known to hang a common library's servers: an element of size -4 in 20 bytes.
        (b"#bundle\0" + IMMEDIATELY + b"\xff\xff\xff\xfc", "larger than the rest, or empty"),
        (b"#bundle\0" + IMMEDIATELY + b"\0\0\0\0", "larger than the rest, or empty"),
        (b"#bundle\0" + IMMEDIATELY + b"\0\0\0\x08/a\0\0", "larger than the rest"),
        (nested(DEEPEST + 1), "too deeply"),
        (nested(300), "too deeply"),
        (bytes(MOST_BYTES + 4), "over 8192"),
        (b"abc\0,\0\0\0", "no plain address"),
        (message("/a*"), "no plain address"),
        (message("/a b"), "no plain address"),
        (text("/a"), "without its end"),
        (b"/abc" * 4, "without its end"),
        (b"/a\0x,\0\0\0", "not padded with zeros"),
        (text("/a") + text("i"), "no type tags"),
        (message("/a", "i", 1)[:-4], "cut off"),
        (message("/a", "i", 1) + b"\0\0\0\0", "left over"),
        (text("/a") + text(",h") + bytes(8), "type 'h' is not taken"),
        (text("/a") + text(",[i]") + bytes(4), "type '\\[' is not taken"),
        (text("/a") + text(",s") + b"\xff\xfe\0\0", "not UTF-8"),
        (b"/\xc3\xa4\0" + text(","), "not ASCII"),
        (text("/a") + text(",b") + struct.pack(">i", -4), "blob larger than the rest"),
        (text("/a") + text(",b") + struct.pack(">i", 2**31 - 1), "blob larger than the rest"),
        (text("/a") + text(",b") + struct.pack(">i", 1) + b"abcd", "not padded"),
    ],
)
def test_refuses_what_is_not_exactly_a_packet(packet: bytes, why: str) -> None:
    """Oracle: OSC 1.0's rules of layout, one broken in each packet."""
    with pytest.raises(Malformed, match=why):
        messages_in(packet)


@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused(data: bytes) -> None:
    """Nothing but `Malformed` ever comes out, whatever goes in."""
    try:
        found = messages_in(data)
    except Malformed:
        return
    assert all(m.address.startswith("/") for m in found)


def test_what_survives_damage_is_still_a_packet() -> None:
    """Property: whatever a damaged packet still says, laying that out again gives its bytes."""
    dice, survivors = random.Random(5), 0
    for packet in valid_packets()[:-1] * 300:
        damaged = mutated(packet, dice)
        try:
            (found,) = messages_in(damaged)
        except (Malformed, ValueError):
            continue
        survivors += 1
        values = [a for a in found.arguments if not isinstance(a, bool)]
        if any(value != value for value in values):
            continue  # a NaN's payload need not survive struct
        assert message(found.address, found.tags, *values) == damaged
    assert survivors > 50
