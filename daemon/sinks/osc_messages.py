"""The OSC messages of prehowl: addresses, argument types and the bytes of each.

Owns what goes on the wire; sockets and threads are in `osc_link.py` and `osc_sender.py`. Types are
stated, never guessed: the library's guess refuses numpy scalars and sends NaN. Only the tags i, f
and s of OSC 1.0 are used, since many receivers know no others. `docs/osc.md` is compared with the
tables here.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from prehowl.daemon.alerts_now import BADNESS
from prehowl.daemon.events import Alert, RingEvent
from prehowl.daemon.notes import Note
from prehowl.daemon.sinks.base import Health
from prehowl.daemon.sinks.osc_bytes import Value, message_bytes, milliseconds
from prehowl.daemon.sinks.words import band_words

CONTRACT_VERSION = 3
"""First argument of `/prehowl/ring`, last of `/prehowl/heartbeat`; rises when the order or meaning
of any message's arguments changes."""

UNKNOWN = -9999
"""Stands for a figure that is not known yet. A type N would change the type string and is refused
by many receivers; NaN breaks some; no figure of ours can be -9999, and float32 holds it exactly."""

NOTHING = "-"
"""Text of a calm channel: some receivers ignore an empty string and would keep the old text."""

TEXT_HIGH = 200  # characters of any one text: a datagram stays far below what a network splits
INT_HIGH = 2**31 - 1
FLOAT_HIGH = 3.4028234e38


@dataclass(frozen=True, slots=True)
class Spec:
    """One address as documented: its group in a target's `messages`, arguments and occasion."""

    address: str
    group: str
    arguments: tuple[tuple[str, str], ...]  # (tag, name with unit)
    when: str

    @property
    def tags(self) -> str:
        """Return the type tag string."""
        return "," + "".join(tag for tag, _ in self.arguments)


NAMES = (
    ("i", "mic_channel"),
    ("i", "mix_channel"),
    ("s", "mic"),
    ("s", "mix"),
    ("s", "wedge"),
)
"""The loop of an alert; a channel that is not known is 0, a name `-`."""
RING = Spec(
    "/prehowl/ring",
    "ring",
    (
        ("i", "version"),
        ("i", "id"),
        ("i", "channel"),
        ("s", "channel_name"),
        ("s", "state"),
        ("i", "time_ms"),
        ("i", "onset_ms"),
        ("f", "frequency_hz"),
        ("f", "band_hz"),
        ("f", "level_dbfs"),
        ("f", "growth_db_per_s"),
        ("f", "margin_db"),
        ("f", "cut_db"),
        ("s", "evidence"),
        ("s", "act"),
        ("f", "sheet_cut_db"),
        ("i", "sheet_at_cap"),
        ("i", "alert"),
        ("i", "lead"),
        ("s", "lead_name"),
        *NAMES,
    ),
    "each time a ring enters a state on any channel",
)
HEARTBEAT = Spec(
    "/prehowl/heartbeat",
    "heartbeat",
    (("i", "sequence"), ("s", "version"), ("i", "contract")),
    "every second while the analysis is alive",
)
BYE = Spec(
    "/prehowl/bye",
    "heartbeat",
    (("i", "sequence"), ("s", "version")),
    "once, at a clean end, after every channel was set to calm",
)
HEALTH = Spec(
    "/prehowl/health",
    "health",
    (
        ("f", "load"),
        ("i", "overflows"),
        ("i", "dropped_blocks"),
        ("i", "lost_samples"),
        ("s", "device_state"),
        ("s", "detail"),
    ),
    "every second while the analysis is alive, and at once when device_state changes",
)
CONTROL = Spec(
    "/prehowl/control",
    "control",
    (
        ("s", "verb"),
        ("s", "by"),
        ("i", "done"),
        ("i", "channel"),
        ("s", "effect"),
        ("s", "act"),
        ("i", "time_ms"),
    ),
    "each time something was asked of prehowl, with what came of it",
)
CHECK = Spec(
    "/prehowl/check",
    "any",
    (),
    "by `prehowl check`, to see whether the port refuses; ignore it",
)
FLAT = (
    ("label", "s", "what to pull, for a person: `2.5 kHz -3 dB`"),
    ("frequency", "f", "Hz"),
    ("band", "f", "Hz, nominal 1/3-octave centre: the fader's name"),
    ("growth", "f", "dB/s"),
    ("cut", "f", "dB to pull the fader down, > 0"),
    ("state", "i", "0 calm, 1 suspect, 2 ringing, 3 howling"),
)
"""Flat addresses of a channel in the order they are sent: state last, so that a receiver that acts
on it has the figures already."""
ACT = (
    ("number", "i", "which act of the running order is on, from 1; 0 without one"),
    ("of", "i", "how many acts there are"),
    ("next", "s", "who plays next"),
    ("name", "s", "who plays now"),
)
"""Flat addresses of the running order under `/prehowl/act/`, the name last."""
WORST_ONLY = (
    ("channel", "i", "channel number, 0 for none"),
    ("name", "s", "channel name"),
    ("mic", "s", "the loop's microphone"),
    ("mix", "s", "the mix that feeds its wedge"),
    ("wedge", "s", "the wedge"),
)


def datagram(spec: Spec, values: Sequence[object]) -> bytes:
    """Return the bytes of one message of the table; `values` in the order of its arguments."""
    pairs = zip(spec.arguments, values, strict=True)
    return message_bytes(spec.address, [(tag, typed(tag, value)) for (tag, _), value in pairs])


def flat_datagram(address: str, value: Value) -> bytes:
    """Return the bytes of a message with one argument."""
    return message_bytes(address, [value])


def typed(tag: str, value: object) -> int | float | str | bytes:
    """Return the value as the tag's plain Python type, whatever number type it came as.

    None, NaN, infinities and what does not fit 32 bits become `UNKNOWN`.
    """
    if tag == "s":
        return _text(str(value))
    if isinstance(value, bytes):
        return value
    if value is None:
        return UNKNOWN if tag == "i" else float(UNKNOWN)
    number = float(value)  # type: ignore[arg-type]
    if tag == "f":
        return number if abs(number) <= FLOAT_HIGH else float(UNKNOWN)
    return round(number) if abs(number) <= INT_HIGH else UNKNOWN


def _text(text: str) -> str:
    """Return what fits an OSC string: a NUL would cut it, lone surrogates have no bytes."""
    whole = text.encode("utf-8", "replace").decode("utf-8").replace("\0", " ")
    return whole[:TEXT_HIGH]


def ring_datagram(event: RingEvent) -> bytes:
    """Return `/prehowl/ring` for one event: the whole record, times in milliseconds."""
    return datagram(RING, ring_arguments(event))


def ring_arguments(event: RingEvent, *, with_evidence: bool = True) -> tuple[object, ...]:
    """Return the values of `/prehowl/ring` in their documented order."""
    record = event.record()
    return (
        CONTRACT_VERSION,
        event.id,
        event.channel,
        event.channel_name,
        record["state"],
        milliseconds(event.time_s),
        milliseconds(event.onset_s),
        record["frequency_hz"],
        record["band_hz"],
        record["level_dbfs"],
        record["growth_db_per_s"],
        record["margin_db"],
        record["cut_db"],
        _evidence(event) if with_evidence else "",
        event.act or NOTHING,
        event.sheet_cut_db,
        int(event.sheet_at_cap),
        event.alert_id,
        event.channel if event.alert is None else event.alert.channel,
        event.channel_name if event.alert is None else event.alert.channel_name,
        *names_of(event.alert),
    )


def names_of(alert: Alert | None) -> tuple[object, ...]:
    """Return the values of `NAMES`."""
    if alert is None:
        return (0, 0, NOTHING, NOTHING, NOTHING)
    channels = (alert.mic_channel or 0, alert.mix_channel or 0)
    return (*channels, *(name or NOTHING for name in (alert.mic, alert.mix, alert.wedge)))


def control_datagram(note: Note) -> bytes:
    """Return `/prehowl/control` for one note."""
    what = (note.verb, note.by, int(note.done), note.channel or 0)
    return datagram(CONTROL, (*what, note.effect, note.act or NOTHING, milliseconds(note.time_s)))


def health_datagram(health: Health) -> bytes:
    """Return `/prehowl/health`."""
    source = health.source
    return datagram(HEALTH, (health.load, *losses(health), source.state, health.detail))


def losses(health: Health) -> tuple[int, int, int]:
    """Return overflows, dropped blocks and lost samples, each no more than 32 bits hold.

    A device that is away for half a day loses more samples than that: it must not read as unknown.
    """
    source = health.source
    counts = (source.overflows, health.dropped_blocks, source.lost_samples)
    overflows, dropped, lost = (min(count, INT_HIGH) for count in counts)
    return overflows, dropped, lost


def ring_values(event: RingEvent | None) -> dict[str, Value]:
    """Return the flat values of one ring, or of a calm channel, by the last part of the address.

    Simple controllers know no 'unknown': here a figure that is not known is 0.
    """
    if event is None:
        return {name: (tag, NOTHING if tag == "s" else typed(tag, 0)) for name, tag, _ in FLAT}
    record = event.record()
    figures = {
        "label": label(event),
        "frequency": record["frequency_hz"] or 0,
        "band": record["band_hz"],
        "growth": record["growth_db_per_s"] or 0,
        "cut": record["cut_db"] or 0,
        "state": BADNESS.get(event.state, 0),
    }
    return {name: (tag, typed(tag, figures[name])) for name, tag, _ in FLAT}


def label(event: RingEvent) -> str:
    """Return what to do in a few characters: '2.5 kHz -3 dB'; 'TEST' goes before a test alert.

    A suspect is to be watched, not yet to be pulled: its label names the band only. Where the
    channel's EQ sheet has that fader at its cap, it says so: '2.5 kHz at cap'.
    """
    cut = event.cut_db if event.is_alarm else None
    words = band_words(float(event.band_hz))
    if event.is_alarm and event.sheet_at_cap:
        words += " at cap"
    elif cut is not None and math.isfinite(cut) and cut > 0:
        words += f" -{round(float(cut), 1):g} dB"
    return f"TEST {words}" if "test" in event.evidence else words


def _evidence(event: RingEvent) -> str:
    """Return the evidence as `name=value` words in the record's order; unknown ones left out."""
    record = event.record()["evidence"]
    return " ".join(f"{name}={value:g}" for name, value in record.items() if value is not None)
