"""OSC 1.0 bytes: messages of stated types, bundles with time tags, SLIP frames for streams.

Also stream times as messages hold them.
"""

import math
import struct
from collections.abc import Sequence

from pythonosc.osc_message_builder import OscMessageBuilder

Value = tuple[str, int | float | str | bool | bytes]
"""A type tag and its value."""

SECONDS_1900_TO_1970 = 2_208_988_800
"""NTP counts from 1900 (RFC 5905); 70 years with 17 leap days."""

SLIP_END, SLIP_ESC = b"\xc0", b"\xdb"
SLIP_ESC_END, SLIP_ESC_ESC = b"\xdb\xdc", b"\xdb\xdd"


def message_bytes(address: str, arguments: Sequence[Value]) -> bytes:
    """Return one message; tags i, f, s, b, T or F say what each value is."""
    builder = OscMessageBuilder(address)
    for tag, value in arguments:
        builder.add_arg(value, tag)
    return bytes(builder.build().dgram)


def bundle_bytes(elements: Sequence[bytes], tag: int) -> bytes:
    """Return a bundle of messages or bundles with a 64-bit time tag."""
    sized = b"".join(struct.pack(">i", len(element)) + element for element in elements)
    return b"#bundle\0" + struct.pack(">Q", tag) + sized


def time_tag(wall_s: float) -> int:
    """Return the 64-bit NTP time tag of a time in seconds since 1970."""
    seconds = int(wall_s // 1)
    return ((seconds + SECONDS_1900_TO_1970) << 32) + int((wall_s - seconds) * 2**32)


def milliseconds(time_s: float | None) -> int | None:
    """Return a stream time in ms as 31 bits hold it: from 0 again after 24.8 days.

    So the difference of two times, modulo 2**31, is right for ever; None where there is none.
    """
    if time_s is None or not math.isfinite(time_s):
        return None
    return round(max(0.0, time_s) * 1000) % 2**31


def slip_frame(packet: bytes) -> bytes:
    """Return a packet as a SLIP frame with an END on both sides (RFC 1055; OSC 1.1 for streams)."""
    escaped = packet.replace(SLIP_ESC, SLIP_ESC_ESC).replace(SLIP_END, SLIP_ESC_END)
    return SLIP_END + escaped + SLIP_END
