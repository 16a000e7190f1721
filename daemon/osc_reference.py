"""The reference page of OSC, made from the tables of the code so that it cannot lie.

`python -m prehowl.daemon.osc_reference > docs/osc.md` writes it; a test compares the two. The prose
is in `osc_prose.py`.
"""

import struct
import sys
from collections.abc import Iterator, Sequence

from prehowl.daemon.alerts_now import News
from prehowl.daemon.attach.wire import LEAVE, SPECS, SUBSCRIBE
from prehowl.daemon.events import Alert, RingEvent
from prehowl.daemon.notes import Note
from prehowl.daemon.osc_in.verbs import FORMS, Form
from prehowl.daemon.osc_map.fields import NUMBERS, TEXTS
from prehowl.daemon.osc_prose import AFTER_FLAT, END, FLAT_HEAD, HEAD, IN, IN_END, MAPS, RING_HEAD
from prehowl.daemon.ringout.state import HeldRing, Phase, Plan, Pull, State
from prehowl.daemon.sinks.base import Health
from prehowl.daemon.sinks.osc_alert import ALERT, alert_datagram
from prehowl.daemon.sinks.osc_bytes import message_bytes
from prehowl.daemon.sinks.osc_messages import (
    ACT,
    BYE,
    CHECK,
    CONTRACT_VERSION,
    CONTROL,
    FLAT,
    HEALTH,
    HEARTBEAT,
    RING,
    WORST_ONLY,
    Spec,
    control_datagram,
    datagram,
    flat_datagram,
    health_datagram,
    ring_datagram,
    typed,
)
from prehowl.daemon.sinks.osc_ringout import RINGOUT, ringout_values
from prehowl.daemon.sources.base import SourceHealth
from prehowl.detectors.rings import RingState

RANGES = {
    "version": "text; in `/prehowl/ring` the contract as a number",
    "contract": f"{CONTRACT_VERSION}",
    "id": "1 to 2147483647; 0: a test alert",
    "channel": "1 to 256; 0: none meant",
    "channel_name": "up to 200 characters",
    "state": "`suspect`, `ringing`, `howling`, `cleared`; of a target `ok` or what is wrong",
    "time_ms": "ms of the stream, 0 to 2147483647, then from 0 (after 24.8 days)",
    "onset_ms": "as `time_ms`, or -9999",
    "frequency_hz": "Hz, 20 to 20000",
    "band_hz": "Hz, nominal ISO 266 centre, 20 to 20000",
    "level_dbfs": "dBFS, down from 0; of a blob tenths of a dB",
    "peak_dbfs": "tenths of a dB",
    "growth_db_per_s": "dB/s, or -9999",
    "margin_db": "dB, or -9999",
    "cut_db": "dB, above 0, or -9999",
    "evidence": "`name=value` words",
    "act": "who is on; `-` without a running order",
    "next_act": "who is next, or `-`",
    "sheet_cut_db": "dB, above 0, or -9999",
    "sheet_at_cap": "1: that fader may go no further",
    "alert": "id of the alert; as `id`",
    "lead": "channel that the howl belongs to, 1 to 256",
    "lead_name": "up to 200 characters",
    "mic_channel": "1 to 256; 0: not known or not watched",
    "mix_channel": "1 to 256; 0: not known or not watched",
    "mic": "name, or `-`",
    "mix": "name, or `-`",
    "wedge": "name, or `-`",
    "announces": "1 once in an alert's life, else 0",
    "heard": "channels that ring with it now, 0 up",
    "label": "what to pull, for a person",
    "sequence": "1 to 2147483647, then from 0",
    "load": "0 up; 1 is one whole core",
    "overflows": "0 to 2147483647, which stands for more as well",
    "dropped_blocks": "as `overflows`",
    "lost_samples": "as `overflows`; so many are 12 hours at 48 kHz",
    "device_state": "`running`, `waiting`, `ended`",
    "detail": "text, empty when all is well",
    "verb": "name of the verb",
    "by": "`osc` and the address, `key`, `clock`, `load`, `device`",
    "done": "1 done, 0 refused",
    "effect": "what came of it, in words",
    "seconds": "1 to 60",
    "name": "text",
    "of": "`show` or `view`",
    "part": "1 to `parts`",
    "places": "1 up; 16 in this version",
    "parts": "1 to 64",
    "rows": "1 to 256",
    "row": "0 to 255",
    "title": "text",
    "act_number": "1 up; 0 without a running order",
    "acts": "0 up",
    "held": "16-bit channel numbers; one 0 for none",
    "bands": "31",
    "weak": "a bit a band of each row",
    "suspicion": "a byte a band, 0 calm to 255 alarm",
}
"""Range of each argument by its name."""

EXAMPLE = RingEvent(
    id=3,
    channel=1,
    channel_name="Vox 1",
    state=RingState.RINGING,
    time_s=12.34,
    onset_s=12.19,
    frequency_hz=2513.0,
    band_hz=2500.0,
    level_dbfs=-18.5,
    growth_db_per_s=42.0,
    margin_db=-0.25,
    cut_db=3.0,
    evidence={"papr_db": 31.2},
    act="Paper Kites",
    alert=Alert(3, 1, "Vox 1", 1, 9, "Vox 1", "Mix 1", "centre wedge"),
)
NOTE = Note(
    61.5, "next_act", "osc 192.168.20.31", True, "act 2 of 5: Paper Kites", act="Paper Kites"
)
SOURCE = SourceHealth("running", 1, 480)
STATE = State(
    Plan(),
    Phase.PULL,
    ring=HeldRing(2513.0, 2500.0, -18.5, 42.0, 12.2),
    pulls=(Pull(2500.0, 3.0, 3.0),),
)
SENT = (RING, ALERT, CONTROL, HEARTBEAT, BYE, HEALTH, CHECK)


def page() -> str:
    """Return the whole page as Markdown."""
    return "\n".join(
        (
            HEAD,
            _spec_table(SENT),
            RING_HEAD,
            _ranges(SENT),
            FLAT_HEAD,
            _flat_table(),
            AFTER_FLAT,
            MAPS,
            _fields(),
            IN,
            _verbs(),
            IN_END,
            _spec_table(SPECS),
            "",
            _ranges(SPECS, but=SENT),
            "## Every message in bytes\n",
            "Made by the program itself; each field on its own line.\n",
            "\n".join(_dump(what, data) for what, data in examples()),
            END,
        )
    )


def examples() -> Iterator[tuple[str, bytes]]:
    """Yield an example of each address that is sent or taken: what it is, and its bytes."""
    yield "a ring enters `ringing`", ring_datagram(EXAMPLE)
    yield "an alert is announced", alert_datagram(News(EXAMPLE, announces=True, heard=4))
    yield "what came of a command", control_datagram(NOTE)
    yield "heartbeat 7 of version 0.1.0", datagram(HEARTBEAT, (7, "0.1.0", CONTRACT_VERSION))
    yield "goodbye after it", datagram(BYE, (7, "0.1.0"))
    yield "health", health_datagram(Health(source=SOURCE, load=0.25))
    yield "the look of `prehowl check`", datagram(CHECK, ())
    values: dict[str, object] = {
        "label": "2.5 kHz -3 dB",
        "frequency": 2513.0,
        "band": 2500,
        "growth": 42,
        "cut": 3,
        "state": 2,
        "channel": 1,
        "name": "Vox 1",
        "mic": "Vox 1",
        "mix": "Mix 1",
        "wedge": "centre wedge",
    }
    for name, tag, _ in FLAT:
        yield (
            f"channel 1, {name}",
            flat_datagram(f"/prehowl/channel/1/{name}", (tag, typed(tag, values[name]))),
        )
    for name, tag, _ in (*WORST_ONLY, *FLAT):
        yield (
            f"the worst, {name}",
            flat_datagram(f"/prehowl/worst/{name}", (tag, typed(tag, values[name]))),
        )
    acts = {"number": 2, "of": 5, "next": "Third Rail", "name": "Paper Kites"}
    for name, tag, _ in ACT:
        yield (
            f"the act, {name}",
            flat_datagram(f"/prehowl/act/{name}", (tag, typed(tag, acts[name]))),
        )
    for address, value in ringout_values(STATE).items():
        yield f"a ring-out, {address.rpartition('/')[2]}", flat_datagram(address, value)
    for form in FORMS:
        yield f"ask: {form.verb}", _asked(form)
    yield "ask to attach for 5 s", datagram(SUBSCRIBE, (CONTRACT_VERSION, 5, "desk"))
    yield "detach", datagram(LEAVE, ())


def _asked(form: Form) -> bytes:
    values: dict[str, object] = {
        "channel": 1,
        "seconds": 90,
        "name": "Soundcheck",
        "band_hz": 2500,
        "cut_db": 3,
        "by_db": 1,
    }
    address = form.address.replace("<n>", "1")
    if form.is_button:
        return message_bytes(address, [("i", 1)] if form.heeds_release else [])
    return message_bytes(address, [(a.tag, typed(a.tag, values[a.name])) for a in form.arguments])


def _spec_table(specs: Sequence[Spec]) -> str:
    rows = "\n".join(
        f"| `{spec.address}` | `{spec.tags}` | {' '.join(name for _, name in spec.arguments)} "
        f"| `{spec.group}` | {spec.when} |"
        for spec in specs
    )
    return f"| address | types | values, in order | group | sent |\n|{' --- |' * 5}\n{rows}"


def _ranges(specs: Sequence[Spec], but: Sequence[Spec] = ()) -> str:
    known = {name for spec in but for _, name in spec.arguments}
    names = dict.fromkeys(name for spec in specs for _, name in spec.arguments if name not in known)
    rows = "\n".join(f"| `{name}` | {RANGES[name]} |" for name in names)
    return f"| value | range |\n| --- | --- |\n{rows}\n"


def _flat_table() -> str:
    rows = [
        *(f"| `/prehowl/channel/<n>/{n}` | `,{tag}` | {meaning} |" for n, tag, meaning in FLAT),
        *(f"| `/prehowl/worst/{n}` | `,{tag}` | {meaning} |" for n, tag, meaning in WORST_ONLY),
        *(f"| `/prehowl/act/{n}` | `,{tag}` | {meaning} |" for n, tag, meaning in ACT),
        *(f"| `/prehowl/ringout/{n}` | `,{tag}` | {meaning} |" for n, tag, meaning in RINGOUT),
    ]
    return "| address | types | value |\n| --- | --- | --- |\n" + "\n".join(rows)


def _fields() -> str:
    rows = [
        *(f"| `{{{name}}}` | figure | {meaning} |" for name, (meaning, _) in NUMBERS.items()),
        *(f"| `{{{name}}}` | text | {meaning} |" for name, (meaning, _) in TEXTS.items()),
    ]
    return "| field | kind | meaning |\n| --- | --- | --- |\n" + "\n".join(rows) + "\n"


def _verbs() -> str:
    rows = "\n".join(f"| `{f.address}` | {_taken(f)} | `{f.verb}` | {f.does} |" for f in FORMS)
    return f"| address | takes | verb | what it does |\n|{' --- |' * 4}\n{rows}\n"


def _taken(form: Form) -> str:
    if form.is_button:
        return "a button"
    words = ", ".join(f"{a.name} {a.low:g} to {a.high:g}" for a in form.arguments)
    if form.tags == ("s",):
        words = f"{form.arguments[0].name}, 1 to {form.arguments[0].high:g} characters"
    return f"`,{form.tags[0]}` {words}"


def _dump(what: str, data: bytes) -> str:
    """Return one message as a fenced hex dump with what each field is, beside it."""
    address, rest = _string(data)
    tags, rest = _string(rest)
    lines = [(address, _quoted(address)), (tags, _quoted(tags))]
    for tag in tags.rstrip(b"\0").decode()[1:]:
        if tag == "s":
            field, rest = _string(rest)
            lines.append((field, _quoted(field)))
        else:
            field, rest = rest[:4], rest[4:]
            lines.append((field, f"{struct.unpack(f'>{tag}', field)[0]:g}"))
    rows = "\n".join(f"{field.hex(' ')}  {meaning}" for field, meaning in lines)
    return f"{what}:\n\n```hex\n{rows}\n```\n"


def _string(data: bytes) -> tuple[bytes, bytes]:
    end = data.index(b"\0") // 4 * 4 + 4
    return data[:end], data[end:]


def _quoted(field: bytes) -> str:
    return f'"{field.rstrip(bytes(1)).decode()}"'


if __name__ == "__main__":
    sys.stdout.write(page())
