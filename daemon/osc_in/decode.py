"""OSC 1.0 bytes to messages, strictly: whatever is not exactly a packet is refused, never guessed.

Bytes from a network are looked at here before anything else sees them; general-purpose parsers
loop for ever on some of them (a bundle element of negative size) or recurse without end. Every step
below moves forward, so the work is at most proportional to the length.

Source: Open Sound Control 1.0 (Wright, 26 March 2002, opensoundcontrol.stanford.edu/spec-1_0.html),
read in full. Strings may be UTF-8 beyond it; of the optional types only T and F are known.
"""

import struct
from dataclasses import dataclass

MOST_BYTES = 8192
"""Larger than any packet that prehowl takes or sends; a datagram can hold 65507."""
DEEPEST = 4
"""Bundles inside bundles; nobody needs more, and a reader that recurses dies of 400."""
PATTERN_MARKS = frozenset("?*[]{},# ")
"""Not allowed in an address that is no pattern (OSC 1.0); patterns are refused as a whole."""

Argument = int | float | str | bytes | bool


class Malformed(ValueError):
    """The bytes are no OSC packet, or one with types that are not taken; the text says why."""


@dataclass(frozen=True, slots=True)
class Message:
    """One OSC message: address, type tags without the comma, arguments of just these types."""

    address: str
    tags: str
    arguments: tuple[Argument, ...]


def messages_in(packet: bytes) -> tuple[Message, ...]:
    """Return the messages of a packet, those of bundles in their order.

    Parameters
    ----------
    packet : bytes
        One datagram, or one frame of a stream. Time tags are passed over: a message counts when
        it comes.

    Raises
    ------
    Malformed
        If any part of it is not well formed; nothing of a damaged bundle is used.
    """
    if len(packet) > MOST_BYTES:
        raise Malformed(f"{len(packet)} bytes, over {MOST_BYTES}")
    found: list[Message] = []
    _read_element(packet, 0, found)
    return tuple(found)


def _read_element(element: bytes, depth: int, found: list[Message]) -> None:
    if not element or len(element) % 4:
        raise Malformed("length is no multiple of 4, or nothing")
    if not element.startswith(b"#bundle\0"):
        found.append(_message(element))
        return
    if depth >= DEEPEST:
        raise Malformed("bundles nested too deeply")
    if len(element) < 16:
        raise Malformed("bundle without time tag")
    at = 16
    while at < len(element):
        (size,) = struct.unpack_from(">i", element, at)
        at += 4
        if not 0 < size <= len(element) - at:
            raise Malformed("bundle element larger than the rest, or empty")
        _read_element(element[at : at + size], depth + 1, found)
        at += size


def _message(element: bytes) -> Message:
    raw, at = _string(element, 0)
    address = _ascii(raw)
    if not address.startswith("/") or not address.isprintable() or PATTERN_MARKS & set(address):
        raise Malformed("no plain address")
    raw, at = _string(element, at)
    tags = _ascii(raw)
    if not tags.startswith(","):
        raise Malformed("no type tags")
    arguments = []
    for tag in tags[1:]:
        argument, at = _argument(tag, element, at)
        arguments.append(argument)
    if at != len(element):
        raise Malformed("bytes left over behind the last argument")
    return Message(address, tags[1:], tuple(arguments))


def _argument(tag: str, data: bytes, at: int) -> tuple[Argument, int]:
    if tag in "TF":
        return tag == "T", at
    if tag in "if":
        if at + 4 > len(data):
            raise Malformed("argument cut off")
        return struct.unpack_from(f">{tag}", data, at)[0], at + 4
    if tag == "s":
        raw, at = _string(data, at)
        try:
            return raw.decode("utf-8"), at
        except UnicodeDecodeError:
            raise Malformed("a string that is not UTF-8") from None
    if tag == "b":
        return _blob(data, at)
    raise Malformed(f"type {tag!r} is not taken")


def _string(data: bytes, at: int) -> tuple[bytes, int]:
    """Return the bytes up to the NUL, and where the next field begins, a multiple of 4."""
    end = data.find(b"\0", at)
    if end < 0:
        raise Malformed("a string without its end")
    after = end + 4 - end % 4
    if data[end:after].strip(b"\0"):
        raise Malformed("a string that is not padded with zeros")
    return data[at:end], after


def _blob(data: bytes, at: int) -> tuple[bytes, int]:
    if at + 4 > len(data):
        raise Malformed("argument cut off")
    (size,) = struct.unpack_from(">i", data, at)
    begin, end = at + 4, at + 4 + size
    after = end + -end % 4
    if size < 0 or after > len(data):
        raise Malformed("a blob larger than the rest")
    if data[end:after].strip(b"\0"):
        raise Malformed("a blob that is not padded with zeros")
    return data[begin:end], after


def _ascii(raw: bytes) -> str:
    try:
        return raw.decode("ascii")
    except UnicodeDecodeError:
        raise Malformed("address or type tags that are not ASCII") from None
