"""Plan and entries as plain JSON objects, and back: the journal's own form of them.

Owns names of the entries in the journal. A record that is no entry is told as what is wrong with
it; nothing is guessed.
"""

import dataclasses
import math
from collections.abc import Mapping
from enum import StrEnum
from types import UnionType
from typing import Any, Union, get_args, get_origin, get_type_hints

from prehowl.daemon.ringout import acts
from prehowl.daemon.ringout.state import Plan

ENTRIES: dict[str, type[Any]] = {
    "ring-heard": acts.RingHeard,
    "ring-gone": acts.RingGone,
    "interrupted": acts.Interrupted,
    "time-up": acts.TimeUp,
    "made": acts.Made,
    "corrected": acts.Corrected,
    "skip": acts.Skip,
    "undo": acts.Undo,
    "raised": acts.Raised,
    "gain-entered": acts.GainEntered,
    "go-on": acts.GoOn,
    "finish": acts.Finish,
    "kept": acts.Kept,
}
NAMES = {kind: name for name, kind in ENTRIES.items()}


def record_of_entry(entry: acts.Entry) -> dict[str, Any]:
    """Return an entry as JSON types; its kind stands in `entry`."""
    return {"entry": NAMES[type(entry)], **dataclasses.asdict(entry)}


def entry_of_record(record: Mapping[str, Any]) -> acts.Entry:
    """Return the entry that a record tells.

    Raises
    ------
    ValueError
        If the record is no entry; the message says what is wrong.
    """
    name = record.get("entry")
    if name not in ENTRIES:
        raise ValueError(f"unknown entry {name!r}")
    fields = {key: value for key, value in record.items() if key != "entry"}
    entry: acts.Entry = _built(ENTRIES[name], fields)
    return entry


def record_of_plan(plan: Plan) -> dict[str, Any]:
    """Return a plan as JSON types."""
    return dataclasses.asdict(plan)


def plan_of_record(record: Mapping[str, Any]) -> Plan:
    """Return the plan that a record tells; raises ValueError as `entry_of_record`."""
    plan: Plan = _built(Plan, dict(record))
    return plan


def _built(kind: type[Any], fields: dict[str, Any]) -> Any:
    known = {field.name: field for field in dataclasses.fields(kind)}
    unknown = sorted(set(fields) - set(known))
    if unknown:
        raise ValueError(f"unknown key {unknown[0]!r}")
    hints = get_type_hints(kind)
    missing = [
        name
        for name, field in known.items()
        if field.default is dataclasses.MISSING and name not in fields
    ]
    if missing:
        raise ValueError(f"{missing[0]!r} is missing")
    return kind(**{name: _value(hints[name], value, name) for name, value in fields.items()})


def _value(hint: Any, value: Any, name: str) -> Any:
    """Return a JSON value as the type of the field; refuse what does not fit."""
    if get_origin(hint) in (Union, UnionType):
        if value is None:
            return None
        hint = next(kind for kind in get_args(hint) if kind is not type(None))
    if get_origin(hint) is tuple:
        return _tuple(hint, value, name)
    if isinstance(hint, type) and issubclass(hint, StrEnum):
        return hint(value)
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    if hint is float and is_number and math.isfinite(value):
        return float(value)
    if hint in (int, str) and type(value) is hint:
        return value
    raise ValueError(f"{name!r} is {value!r}")


def _tuple(hint: Any, value: Any, name: str) -> tuple[Any, ...]:
    if not isinstance(value, list):
        raise ValueError(f"{name!r} is {value!r}")
    kinds = get_args(hint)
    if kinds[-1] is Ellipsis:
        return tuple(_value(kinds[0], item, name) for item in value)
    if len(value) != len(kinds):
        raise ValueError(f"{name!r} has {len(value)} values instead of {len(kinds)}")
    return tuple(_value(kind, item, name) for kind, item in zip(kinds, value, strict=True))
