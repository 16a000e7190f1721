"""OSC packets for tests: laid out by hand from the specification, random, and mutated."""

import random
import struct
from typing import Any

from oscpy.parser import format_message

from prehowl.daemon.osc_in.verbs import FORMS, Form

IMMEDIATELY = b"\0\0\0\0\0\0\0\1"
SPEC_EXAMPLES = (
    # OSC 1.0 (Wright 2002), examples page, "OSC Message Examples".
    (
        bytes.fromhex("2f6f7363696c6c61746f722f342f6672657175656e6379002c66000043dc0000"),
        ("/oscillator/4/frequency", "f", (440.0,)),
    ),
    (
        bytes.fromhex(
            "2f666f6f000000002c69697366660000000003e8ffffffff68656c6c6f0000003f9df3b640b5b22d"
        ),
        ("/foo", "iisff", (1000, -1, "hello", 1.234, 5.678)),
    ),
)
"""The specification's own byte examples with what they say."""


def text(value: str) -> bytes:
    """Return an OSC string by the rule of the specification: NUL, then zeros to 4 bytes."""
    raw = value.encode() + b"\0"
    return raw + bytes(-len(raw) % 4)


def message(address: str, tags: str = "", *values: Any) -> bytes:
    """Return a message, each argument laid out by hand."""
    parts = [text(address), text(f",{tags}")]
    for tag, value in zip([t for t in tags if t not in "TF"], values, strict=True):
        if tag in "if":
            parts.append(struct.pack(f">{tag}", value))
        elif tag == "s":
            parts.append(text(value))
        else:
            parts.append(struct.pack(">i", len(value)) + value + bytes(-len(value) % 4))
    return b"".join(parts)


def bundle(*elements: bytes, time_tag: bytes = IMMEDIATELY) -> bytes:
    """Return a bundle of packets."""
    sized = b"".join(struct.pack(">i", len(element)) + element for element in elements)
    return b"#bundle\0" + time_tag + sized


def valid_packets() -> list[bytes]:
    """Return one packet of every form that is taken, made by oscpy, and a bundle of them all."""
    packets = [format_message(*_filled(form), encoding="utf-8")[0] for form in FORMS]
    return [*packets, bundle(*packets)]


def _filled(form: Form) -> tuple[str, list[Any]]:
    values: dict[str, Any] = {"i": 2, "f": 20.0, "s": "Soundcheck"}
    return form.address.replace("<n>", "2"), [values[a.tag] for a in form.arguments]


def random_packet(dice: random.Random) -> bytes:
    """Return noise: of any bytes, or with the look of a message or bundle at its beginning."""
    start = dice.choice((b"", b"", b"/", b"/prehowl/do/", b"#bundle\0" + IMMEDIATELY, b"/a\0\0,"))
    return start + dice.randbytes(dice.randrange(0, 97))


def mutated(packet: bytes, dice: random.Random) -> bytes:
    """Return a packet with one to four damages: bytes changed, cut out, doubled, or cut short."""
    data = bytearray(packet)
    for _ in range(dice.randrange(1, 5)):
        at = dice.randrange(len(data)) if data else 0
        kind = dice.randrange(5)
        if kind == 0 and data:
            data[at] = dice.randrange(256)
        elif kind == 1 and data:
            data[at] ^= 1 << dice.randrange(8)
        elif kind == 2:
            del data[at : at + dice.choice((1, 4, 8))]
        elif kind == 3:
            data[at:at] = data[at : at + dice.choice((1, 4, 8))]
        else:
            del data[at:]
    return bytes(data)
