"""Typed arguments of mappings: what a template gives, as exactly the type that was stated."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from prehowl.daemon.osc_map.fields import NUMBERS, Told
from prehowl.daemon.osc_map.templates import BadTemplate, Template, template_of
from prehowl.daemon.sinks.osc_bytes import Value
from prehowl.daemon.sinks.osc_messages import FLOAT_HIGH, INT_HIGH, TEXT_HIGH

if TYPE_CHECKING:  # the show file's rules ask this module, so it must not ask for them
    from prehowl.daemon.show.osc_tables import MapArgument

TRUTH = {"true": 1.0, "false": 0.0}
HEX = "hex:"


@dataclass(frozen=True, slots=True)
class Argument:
    """One argument of a mapping, ready to be filled."""

    make: Callable[[Told], Value]

    def value(self, told: Told) -> Value:
        """Return type tag and value for one ring."""
        return self.make(told)


def argument_of(wanted: "MapArgument") -> Argument:
    """Return the argument that the show file asks for.

    Raises
    ------
    BadTemplate
        If its value cannot be of its type; the text goes behind the key's path.
    """
    if wanted.type == "string":
        template = template_of(wanted.value)
        return Argument(lambda told: ("s", _text(template, told)))
    if wanted.type == "blob":
        return _blob(wanted.value)
    figure = _figure(wanted)
    if wanted.type == "bool":
        return Argument(lambda told: _bool(figure(told)))
    if wanted.type == "int":
        return Argument(lambda told: ("i", round(_within(figure(told), INT_HIGH))))
    return Argument(lambda told: ("f", _within(figure(told), FLOAT_HIGH)))


def _figure(wanted: "MapArgument") -> Callable[[Told], float]:
    """Return how to get the number: a literal, or one field, scaled if that was asked for."""
    literal = _literal(wanted)
    if literal is not None:
        return lambda told: literal
    name = template_of(wanted.value).only_field
    if name is None or name not in NUMBERS:
        raise BadTemplate(
            f"is {wanted.value!r}; a {wanted.type} takes a number, or one field that is a "
            f"figure: {', '.join(f'{{{known}}}' for known in NUMBERS)}"
        )
    get, unknown, scale = NUMBERS[name][1], wanted.unknown, _scale(wanted)

    def figure(told: Told) -> float:
        value = get(told)
        return unknown if value is None else scale(float(value))

    return figure


def _literal(wanted: "MapArgument") -> float | None:
    if wanted.type == "bool" and wanted.value in TRUTH:
        return TRUTH[wanted.value]
    try:
        number = float(wanted.value)
    except ValueError:
        return None
    if not math.isfinite(number) or (wanted.type == "int" and number != round(number)):
        raise BadTemplate(f"is {wanted.value!r}; that is no {wanted.type}")
    return number


def _scale(wanted: "MapArgument") -> Callable[[float], float]:
    if not wanted.scale_from:
        return lambda value: value
    (low, high), (start, end) = wanted.scale_from, wanted.scale_to

    def scaled(value: float) -> float:
        share = min(1.0, max(0.0, (value - low) / (high - low)))
        return start + share * (end - start)

    return scaled


def _blob(text: str) -> Argument:
    if not text.startswith(HEX):
        template = template_of(text)
        return Argument(lambda told: ("b", _text(template, told).encode()))
    try:
        data = bytes.fromhex(text.removeprefix(HEX))
    except ValueError:
        raise BadTemplate(f"is {text!r}; behind {HEX} go pairs of hex digits") from None
    if not data:
        raise BadTemplate("is a blob without a byte")
    return Argument(lambda told: ("b", data))


def _text(template: Template, told: Told) -> str:
    whole = template.filled(told).encode("utf-8", "replace").decode("utf-8").replace("\0", " ")
    return whole[:TEXT_HIGH]


def _bool(value: float) -> Value:
    return ("T", True) if value else ("F", False)


def _within(value: float, high: float) -> float:
    return max(-high, min(high, value))
