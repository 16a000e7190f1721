"""The reference page of the show file, made from the tables so that it cannot lie.

`python -m prehowl.daemon.show.reference > docs/show-file.md` writes it; a test compares the two.
"""

import sys

from prehowl.daemon.show.keys import Slot, slots_of
from prehowl.daemon.show.show import Show
from prehowl.daemon.show.tables import NORMAL_PER_DAY, SENSITIVITIES

TYPE_WORDS = {int: "whole number", float: "number", str: "text", bool: "`true` or `false`"}

HEAD = """\
# The show file

One TOML file says what prehowl should know of a show: the interface, what arrives on which channel, how far each wedge is from its microphone, who gets OSC.
Everything has a default, so a first file may be five lines long; `configs/` holds commented examples.
`prehowl check --show FILE` looks it over and prints what is in force and where each value came from: `file`, `command line` or `default`.

A mistake is never guessed away: unknown keys, wrong types and impossible values are all told at once, each with its path and what would be right.
In a path, tables of a list count from 1: `channels[3].loop_delay_ms` is the third `[[channels]]` table of the file, which need not be channel number 3.
The file is UTF-8 text. Numbers are written without quotes, a whole number is fine where a number is asked for, and `true` and `false` stand without quotes, too.
"""  # noqa: E501

SENSITIVITY_HEAD = """\
## Sensitivity in numbers

The engine alarms on less evidence the more false alarms are borne; six in a day of music and speech without a break is what `normal` is set for.
That was read off howl-free sound which the engine had been fitted to (detection.md), one channel at a time; in a real show most channels are silent most of the day.

| word | false alarms in a day, a channel |
| --- | --- |
"""  # noqa: E501

DELAY = """\
## Where a loop delay comes from

1. The channel's own `loop_delay_ms`, or its `distance_m`: delay = distance / c + `stage.electronics_ms`, with c = 331.3 · sqrt(1 + T / 273.15) m/s and T from `stage.temperature_c` (343.2 m/s at 20 °C). A wedge 1.5 m away at 20 °C with 3 ms of electronics: 4.4 + 3.0 = 7.4 ms.
2. Else that of the mic or mix that it belongs to, since both are in the same loop.
3. Else 8 ms.

It is enough that one of the two names the other: `mix` at the mic, or `mic` at the mix.
"""  # noqa: E501


def reference_page() -> str:
    """Return the whole page as Markdown."""
    words = "\n".join(
        f"| `{word}` | {NORMAL_PER_DAY * number:.0f} |" for word, number in SENSITIVITIES.items()
    )
    tables = "\n".join(_tables(slot, "") for slot in slots_of(Show).values())
    return "\n".join((HEAD, tables, SENSITIVITY_HEAD + words, "", DELAY))


def _tables(slot: Slot, above: str) -> str:
    """Return the section of one table, and of the tables inside it behind it."""
    name = f"{above}{slot.name}"
    heading = f"[[{name}]]" if slot.many else f"[{name}]"
    slots = slots_of(slot.kinds[0]).values()
    rows = "\n".join(_row(key) for key in slots if key.table is None)
    inner = "".join("\n" + _tables(key, f"{name}.") for key in slots if key.table is not None)
    return (
        f"## `{heading}`\n\n{slot.key.text}\n\n"
        f"| key | takes | default | meaning |\n| --- | --- | --- | --- |\n{rows}\n{inner}"
    )


def _row(slot: Slot) -> str:
    return f"| `{slot.name}` | {_takes(slot)} | {_default(slot)} | {slot.key.text} |"


def _takes(slot: Slot) -> str:
    if slot.key.choices:
        words = ", ".join(f"`{toml(choice)}`" for choice in slot.key.choices)
        return f"list of {words}" if slot.many else words
    words = " or ".join(_kind(slot, kind) for kind in slot.kinds)
    return f"list of {words}" if slot.many else words


def _kind(slot: Slot, kind: type) -> str:
    key = slot.key
    if kind is bool:
        return TYPE_WORDS[bool]
    if kind is str:
        is_measured = len(slot.kinds) == 1 and key.high is not None
        return f"text, at most {key.high:g} characters" if is_measured else "text"
    if kind is bool:
        return "`true`, `false`"
    unit = f" {key.unit}" if key.unit else ""
    return f"{TYPE_WORDS[kind]}, {key.low:g} to {key.high:g}{unit}"


def _default(slot: Slot) -> str:
    if slot.required:
        return "**must be given**"
    if slot.default is None or slot.default in ("", ()):
        return slot.key.unset
    if slot.many and slot.default == slot.key.choices:
        return "all"
    unit = f" {slot.key.unit}" if slot.key.unit else ""
    return f"`{toml(slot.default)}`{unit}"


def toml(value: object) -> str:
    """Return a plain value as one writes it in the file."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, tuple):
        return f"[{', '.join(toml(item) for item in value)}]"
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    return str(value).lower() if isinstance(value, bool) else str(value)


if __name__ == "__main__":
    sys.stdout.write(reference_page())
