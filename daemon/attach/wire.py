"""What an attached screen is told, as OSC: tables of the messages, and snapshots to packets.

A view is cut into bundles that pass any network unsplit; each begins with `part`, so that a screen
shows a view only when it has all of it. `reader.py` is the way back.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.events import RingEvent
from prehowl.daemon.sinks.base import Health, Snapshot
from prehowl.daemon.sinks.osc_bytes import bundle_bytes, message_bytes, milliseconds
from prehowl.daemon.sinks.osc_messages import (
    CONTRACT_VERSION,
    NOTHING,
    RING,
    Spec,
    datagram,
    losses,
    ring_arguments,
)

GROUP = "attach"
SUBSCRIBE = Spec(
    "/prehowl/attach/subscribe",
    GROUP,
    (("i", "contract"), ("i", "seconds"), ("s", "name")),
    "to prehowl: show me what there is, to the port this comes from, for so long (1 to 60)",
)
LEAVE = Spec("/prehowl/attach/leave", GROUP, (), "to prehowl: no more")
FULL = Spec(
    "/prehowl/attach/full",
    GROUP,
    (("i", "places"),),
    "answers who subscribes while all places are taken; ask again",
)
PART = Spec(
    "/prehowl/attach/part",
    GROUP,
    (("s", "of"), ("i", "sequence"), ("i", "part"), ("i", "parts")),
    "first in each bundle: which part of which `show` or `view` this is, from 1",
)
SHOW = Spec(
    "/prehowl/attach/show",
    GROUP,
    (("i", "contract"), ("i", "rows"), ("s", "title"), ("s", "version")),
    "at the start, when a name or a weak band changes, every 5 seconds; `row` and `weak` follow",
)
ROW = Spec(
    "/prehowl/attach/row",
    GROUP,
    (("i", "row"), ("i", "channel"), ("s", "channel_name")),
    "one for each channel, rows from 0",
)
STATUS = Spec(
    "/prehowl/attach/status",
    GROUP,
    (
        ("i", "time_ms"),
        ("f", "load"),
        ("i", "overflows"),
        ("i", "dropped_blocks"),
        ("i", "lost_samples"),
        ("s", "device_state"),
        ("s", "detail"),
        ("i", "act_number"),
        ("i", "acts"),
        ("s", "act"),
        ("s", "next_act"),
        ("b", "held"),
    ),
    "in each view; `held`: channel numbers, 16-bit big-endian",
)
TARGET = Spec(
    "/prehowl/attach/target",
    GROUP,
    (("s", "name"), ("s", "state")),
    "in each view, one for each receiver of the daemon",
)
LEVELS = Spec(
    "/prehowl/attach/levels",
    GROUP,
    (("b", "level_dbfs"), ("b", "peak_dbfs")),
    "in each view; tenths of a dB by row, signed 16-bit big-endian",
)
SUSPICION = Spec(
    "/prehowl/attach/suspicion",
    GROUP,
    (("i", "row"), ("i", "bands"), ("b", "suspicion")),
    "in each view, up to 32 rows each; one byte a band, 255 is an alarm",
)
LIVING = Spec(
    "/prehowl/attach/ring",
    GROUP,
    RING.arguments,
    "in each view, one for each living ring, the worst first; as `/prehowl/ring`",
)
WEAK = Spec(
    "/prehowl/attach/weak",
    GROUP,
    (("b", "weak"),),
    "after the rows, where an EQ sheet knows weak bands; 32 bits a row, big-endian, bit 0 is 20 Hz",
)
SPECS = (SUBSCRIBE, LEAVE, FULL, PART, SHOW, ROW, WEAK, STATUS, TARGET, LEVELS, SUSPICION, LIVING)

MOST_PACKET = 1200  # bytes; below what any network in use splits (IPv6 minimum 1280)
ROWS_AT_ONCE = 32
MOST_RINGS = 48
"""Living rings in a view; more than a screen has lines."""


@dataclass(frozen=True, slots=True)
class Shown:
    """What changes seldom: the show's title and its channels."""

    title: str
    version: str
    numbers: tuple[int, ...]
    names: tuple[str, ...]
    weak: tuple[frozenset[int], ...] = ()  # bands 0..30 of each row; () where no sheet knows any


def show_packets(shown: Shown, sequence: int) -> list[bytes]:
    """Return title and channel names as packets."""
    head = datagram(SHOW, (CONTRACT_VERSION, len(shown.names), shown.title, shown.version))
    pairs = zip(shown.numbers, shown.names, strict=True)
    rows = [datagram(ROW, (row, *pair)) for row, pair in enumerate(pairs)]
    return packets("show", sequence, [head, *rows, *_weak(shown.weak)])


def view_packets(snapshot: Snapshot, sequence: int) -> list[bytes]:
    """Return one snapshot as packets."""
    levels = [("b", _tenths(snapshot.level_dbfs)), ("b", _tenths(snapshot.peak_dbfs))]
    messages = [
        _status(snapshot),
        *(datagram(TARGET, pair) for pair in _targets(snapshot.health)),
        *([message_bytes(LEVELS.address, levels)] if snapshot.level_dbfs.size else []),
        *_suspicion(snapshot.suspicion),
        *(_ring(ring) for ring in snapshot.rings[:MOST_RINGS]),
    ]
    return packets("view", sequence, messages)


def _targets(health: Health) -> list[tuple[str, str]]:
    """Return the receivers, and what came in among them: a screen has one line for both."""
    asked = [] if health.osc_in is None else [(health.osc_in.words, "ok")]
    return [*health.targets, *asked]


def packets(of: str, sequence: int, messages: Sequence[bytes]) -> list[bytes]:
    """Return bundles with the messages in order, each at most `MOST_PACKET` if its parts are."""
    groups: list[list[bytes]] = [[]]
    room = MOST_PACKET - 80
    for message in messages:
        if groups[-1] and sum(len(m) + 4 for m in groups[-1]) + len(message) > room:
            groups.append([])
        groups[-1].append(message)
    return [
        bundle_bytes([datagram(PART, (of, sequence, i, len(groups))), *group], 1)
        for i, group in enumerate(groups, start=1)
    ]


def _status(snapshot: Snapshot) -> bytes:
    health = snapshot.health
    held = np.array(sorted(snapshot.held) or [0], ">i2").tobytes()  # 0: no blob is empty
    values = (
        milliseconds(snapshot.time_s),
        health.load,
        *losses(health),
        health.source.state,
        health.detail,
        snapshot.act_number,
        snapshot.acts,
        snapshot.act or NOTHING,
        snapshot.next_act or NOTHING,
        held,
    )
    return datagram(STATUS, values)


def _weak(rows: Sequence[frozenset[int]]) -> list[bytes]:
    """Return the weak bands of all rows as one message; none where no row has any."""
    if not any(rows):
        return []
    bits = np.array([sum(1 << band for band in row) for row in rows], ">u4")
    return [datagram(WEAK, (bits.tobytes(),))]


def _suspicion(suspicion: NDArray[np.float32]) -> list[bytes]:
    rows, bands = suspicion.shape
    found = []
    for first in range(0, rows, ROWS_AT_ONCE):
        part = np.clip(suspicion[first : first + ROWS_AT_ONCE], 0, 1) * 255
        blob = np.nan_to_num(part).round().astype(np.uint8).tobytes()
        if blob:
            found.append(datagram(SUSPICION, (first, bands, blob)))
    return found


def _ring(ring: RingEvent) -> bytes:
    return datagram(LIVING, ring_arguments(ring, with_evidence=False))


def _tenths(level_db: NDArray[np.float32]) -> bytes:
    """Return levels as 16-bit tenths; silence, -inf and NaN are the lowest."""
    finite = np.nan_to_num(level_db, nan=-300, neginf=-300, posinf=300)
    return (np.clip(finite, -300, 300) * 10).round().astype(">i2").tobytes()
