"""Turn parsed TOML into the tables, noting every fault on the way instead of stopping at the first.

Knows types, ranges, choices and key names, one key at a time; what keys mean together is
`rules.py`. Positions in arrays of tables count from 1 in every path, as channels do.
"""

import difflib
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from prehowl.daemon.show.keys import Slot, slots_of

KIND_WORDS: Mapping[type, str] = {
    int: "a whole number",
    float: "a number",
    str: "text in quotes",
    bool: "true or false",
    dict: "a table",
    list: "a list",
}
BLANKS: Mapping[type, Any] = {int: 0, float: 0.0, str: "", bool: False}
"""Stand-ins for a required key that is missing or wrong: never leave, a fault was noted."""


@dataclass(slots=True)
class Findings:
    """What the reader saw: faults with the path of their key, and the paths that were given."""

    homes: Mapping[str, tuple[str, ...]] = field(default_factory=dict)  # key -> tables that know it
    faults: list[tuple[str, str]] = field(default_factory=list)
    given: list[str] = field(default_factory=list)

    def fault(self, path: str, text: str) -> None:
        """Note one fault: where, and what would be right."""
        self.faults.append((path, text))


def read_table(table: type, raw: Any, path: str, findings: Findings) -> Any:
    """Return an instance of the dataclass `table` filled from `raw`.

    Parameters
    ----------
    table : type
        One of the table classes.
    raw : mapping
        What the TOML parser made of it; anything else is a fault.
    path : str
        Where we are, e.g. ``channels[3]``; empty for the whole file.
    findings : Findings
        Takes faults and given paths. With a fault the default stands in for the value.
    """
    if not isinstance(raw, Mapping):
        findings.fault(path, f"must be a table ([{path.split('[')[0]}]), not {_found(raw)}")
        return read_table(table, {}, path, Findings())  # its keys are not to blame
    slots = slots_of(table)
    for name in raw:
        if name not in slots:
            findings.fault(_join(path, name), _unknown(name, path, slots, findings.homes))
    values = {
        slot.name: _read_slot(slot, raw, _join(path, slot.name), findings)
        for slot in slots.values()
    }
    return table(**values)


def _read_slot(slot: Slot, raw: Mapping[str, Any], path: str, findings: Findings) -> Any:
    if slot.name in raw:
        return _read_value(slot, raw[slot.name], path, findings)
    if slot.required:
        findings.fault(path, f"is missing; give {_wanted(slot)}")
        return BLANKS[slot.kinds[0]]
    return slot.default


def _read_value(slot: Slot, value: Any, path: str, findings: Findings) -> Any:
    if slot.table and slot.many:
        return _read_tables(slot.table, value, path, findings)
    if slot.table:
        return read_table(slot.table, value, path, findings)
    findings.given.append(path)
    if slot.many:
        return _read_list(slot, value, path, findings)
    return _read_plain(slot, value, path, findings)


def _read_tables(table: type, value: Any, path: str, findings: Findings) -> tuple[Any, ...]:
    if not isinstance(value, list):
        findings.fault(path, f"must be tables under [[{path}]], not {_found(value)}")
        return ()
    return tuple(
        read_table(table, item, f"{path}[{i}]", findings) for i, item in enumerate(value, start=1)
    )


def _read_list(slot: Slot, value: Any, path: str, findings: Findings) -> tuple[Any, ...]:
    if not isinstance(value, list | tuple):
        findings.fault(path, f"must be a list in [ ], not {_found(value)}")
        return ()
    return tuple(
        _read_plain(slot, item, f"{path}[{i}]", findings) for i, item in enumerate(value, start=1)
    )


def _read_plain(slot: Slot, value: Any, path: str, findings: Findings) -> Any:
    text = _type_fault(slot, value) or _value_fault(slot, value)
    if text:
        findings.fault(path, text)
        return BLANKS[slot.kinds[0]] if slot.required else slot.default
    return float(value) if slot.kinds == (float,) else value


def _type_fault(slot: Slot, value: Any) -> str:
    """Tell what is wrong with the type. TOML's true is Python's 1, so bool goes first."""
    if slot.kinds == (bool,):
        return "" if isinstance(value, bool) else f"must be true or false, not {_found(value)}"
    allowed = (*slot.kinds, int) if float in slot.kinds else slot.kinds
    fits = bool in allowed if isinstance(value, bool) else isinstance(value, allowed)
    if fits:
        return ""
    return f"must be {_wanted(slot)}, not {_found(value)}"


def _value_fault(slot: Slot, value: Any) -> str:
    key = slot.key
    if key.choices and value not in key.choices:
        near = difflib.get_close_matches(str(value), [str(c) for c in key.choices], n=1)
        hint = f" Did you mean {near[0]!r}?" if near and isinstance(value, str) else ""
        return f"is {value!r}; must be {_wanted(slot)}.{hint}"
    if isinstance(value, str):
        return _text_fault(slot, value)
    if isinstance(value, float) and not math.isfinite(value):
        return f"is {value}; must be {_wanted(slot)}"
    low, high = _span(slot)
    if not low <= value <= high:
        return f"is {_short(value)}; must be {_wanted(slot)}"
    return ""


def _text_fault(slot: Slot, value: str) -> str:
    if not value.isprintable():
        return f"is {_short(value)}; may hold printable characters only"
    least = 1 if slot.default is None else 0
    most = slot.key.high if str in slot.kinds and len(slot.kinds) == 1 else None
    if len(value.strip()) < least:
        return "is empty; give a text"
    if most is not None and len(value) > most:
        return f"has {len(value)} characters; must be at most {most:g}"
    return ""


def _span(slot: Slot) -> tuple[float, float]:
    low = -math.inf if slot.key.low is None else slot.key.low
    high = math.inf if slot.key.high is None else slot.key.high
    return low, high


def _wanted(slot: Slot) -> str:
    """Return in words what the key takes, for messages."""
    key = slot.key
    if key.choices:
        shown = [repr(c) if isinstance(c, str) else str(c) for c in key.choices]
        unit = f" {key.unit}" if key.unit else ""
        return f"{', '.join(shown[:-1])} or {shown[-1]}{unit}"
    words = " or ".join(KIND_WORDS[kind] for kind in slot.kinds)
    if key.low is None or key.high is None or slot.kinds == (str,):
        return words
    unit = f" {key.unit}" if key.unit else ""
    return f"{words} from {key.low:g} to {key.high:g}{unit}"


def _found(value: Any) -> str:
    for kind in (bool, str, int, float):
        if isinstance(value, kind):
            return f"{KIND_WORDS[kind]} ({_short(value)})"
    for container in (dict, list):
        if isinstance(value, container):
            return KIND_WORDS[container]
    return f"a {type(value).__name__}"


def _short(value: Any) -> str:
    text = str(value).lower() if isinstance(value, bool) else repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _unknown(
    name: str, path: str, slots: Mapping[str, Slot], homes: Mapping[str, tuple[str, ...]]
) -> str:
    near = difflib.get_close_matches(name, slots, n=1)
    if near:
        return f"unknown key. Did you mean {near[0]!r}?"
    here = path.split("[")[0]
    home = [table for table in homes.get(name, ()) if table.strip("[]") != here]
    if home:
        return f"unknown key here. It belongs under {' or '.join(home)}"
    return f"unknown key. Known here: {', '.join(slots)}"


def _join(path: str, name: str) -> str:
    return f"{path}.{name}" if path else name
