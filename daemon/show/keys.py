"""What one key of the show file is: its text for people and its limits.

Each field of a table in `tables.py` carries one `Key`; the reader checks by it, the reference page
(docs/show-file.md) is made from it.
"""

import dataclasses
import types
from dataclasses import dataclass
from typing import Annotated, Any, Union, get_args, get_origin, get_type_hints


@dataclass(frozen=True, slots=True)
class Key:
    """Description and limits of one key."""

    text: str  # what it means and what it does, for the reference page
    unit: str = ""
    low: float | None = None  # lowest allowed value, or fewest characters of a string
    high: float | None = None  # highest allowed value, or most characters of a string
    choices: tuple[Any, ...] = ()
    unset: str = ""  # what holds where the key is left out and the default is None or empty


@dataclass(frozen=True, slots=True)
class Slot:
    """One key of one table with everything that reader and reference page need."""

    name: str
    key: Key
    kinds: tuple[type, ...]  # allowed value types; of an array's items where `many`
    many: bool  # an array
    default: Any
    required: bool

    @property
    def table(self) -> type | None:
        """Return the table class of a sub-table or an array of tables, None for plain values."""
        kind = self.kinds[0]
        return kind if dataclasses.is_dataclass(kind) else None


def slots_of(table: type) -> dict[str, Slot]:
    """Return the keys of a table class in order; fields without a `Key` are not the user's."""
    hints = get_type_hints(table, include_extras=True)
    found = {}
    for item in dataclasses.fields(table):
        hint = hints[item.name]
        if get_origin(hint) is Annotated:
            plain, key = get_args(hint)
            found[item.name] = _slot(item, plain, key)
    return found


def _slot(item: "dataclasses.Field[Any]", plain: Any, key: Key) -> Slot:
    many = get_origin(plain) is tuple
    inner = get_args(plain)[0] if many else plain
    union = get_origin(inner) in (Union, types.UnionType)
    kinds = get_args(inner) if union else (inner,)
    required = item.default is dataclasses.MISSING and item.default_factory is dataclasses.MISSING
    default = item.default
    if item.default_factory is not dataclasses.MISSING:
        default = item.default_factory()
    return Slot(
        name=item.name,
        key=key,
        kinds=tuple(kind for kind in kinds if kind is not type(None)),
        many=many,
        default=None if required else default,
        required=required,
    )
