"""A long storm of nonsense for OSC in: `python -m prehowl.daemon.bench.osc_fuzz [RANDOM MUTATED]`.

Random datagrams and damaged valid ones go through the same path as those of the socket. What is
taken must be a packet that is still a documented verb; everything else may change counters only.
The short run of the test suite (tests/daemon/osc_in) holds the same against a second reader.
"""

import random
import struct
import sys
import time

from prehowl.daemon.osc_in.allow import AllowList
from prehowl.daemon.osc_in.receiver import Inbox
from prehowl.daemon.osc_in.verbs import FORMS, Form

SENDER = ("127.0.0.1", 5000)
STARTS = (b"", b"/", b"/prehowl/do/", b"#bundle\0\0\0\0\0\0\0\0\1", b"/prehowl/do/hold\0\0\0\0,")


def _text(words: str) -> bytes:
    raw = words.encode() + b"\0"
    return raw + bytes(-len(raw) % 4)


def _valid(form: Form) -> bytes:
    """Return a packet of a form."""
    values = {"i": struct.pack(">i", 2), "f": struct.pack(">f", 20), "s": _text("Soundcheck")}
    tags = "".join(argument.tag for argument in form.arguments)
    head = _text(form.address.replace("<n>", "2")) + _text(f",{tags}")
    return head + b"".join(values[tag] for tag in tags)


def _damaged(packet: bytes, dice: random.Random) -> bytes:
    data = bytearray(packet)
    for _ in range(dice.randrange(1, 5)):
        at = dice.randrange(len(data) + 1)
        size = dice.choice((1, 4, 8))
        new = (dice.randbytes(1), b"", 2 * bytes(data[at : at + size]))[dice.randrange(3)]
        data[at : at + size] = new
    return bytes(data)


def storm(noise: int, damaged: int, seed: int = 1) -> dict[str, float]:
    """Return what came of so many random and so many damaged datagrams.

    Raises
    ------
    AssertionError
        If noise became a command, or the counters do not add up.
    """
    dice, box = random.Random(seed), Inbox(AllowList())
    began_s = time.perf_counter()
    for _ in range(noise):
        box.take_in(dice.choice(STARTS) + dice.randbytes(dice.randrange(97)), SENDER)
    if box.take() or box.counts.taken or box.counts.refused != noise:
        raise AssertionError(f"noise was taken: {box.counts}")
    packets, commands, still = [_valid(form) for form in FORMS], 0, 0
    for i in range(damaged):
        packet = packets[i % len(packets)]
        changed = _damaged(packet, dice)
        still += changed == packet
        box.take_in(changed, SENDER)
        commands += len(box.take())
    counts = box.counts
    if counts.datagrams != noise + damaged or counts.taken + counts.refused != noise + damaged:
        raise AssertionError(f"not every datagram was counted once: {counts}")
    return {
        "noise": noise,
        "damaged": damaged,
        "still_the_same": still,
        "taken_as_another_valid_verb": counts.taken - still,
        "commands": commands,
        "seconds": round(time.perf_counter() - began_s, 1),
    }


if __name__ == "__main__":
    counted = [int(word) for word in sys.argv[1:3]] or [1_000_000, 100_000]
    sys.stdout.write(f"{storm(*counted)}\n")
