"""Templates of mappings: text with fields in braces, checked once and filled many times.

A template can name fields and give them a short format, and nothing else: no attributes, no
indices, no expressions, whatever a show file holds.
"""

import re
import string
from dataclasses import dataclass

from prehowl.daemon.osc_map.fields import IN_ADDRESS, NUMBERS, TEXTS, WHOLE, Told
from prehowl.daemon.sinks.osc_messages import NOTHING

FORMAT = re.compile(r"[<>^]?[0-9]{0,2}(\.[0-9])?[dfgs]?")
PATTERN_MARKS = re.compile(r"[#*,?\[\]{}\s]|[^!-~]")
"""What an OSC 1.0 address may not hold."""


class BadTemplate(ValueError):
    """A template that cannot be filled; the text says why and what would be right."""


@dataclass(frozen=True, slots=True)
class Template:
    """A checked template: fixed text, field, format, in turn."""

    parts: tuple[tuple[str, str | None, str], ...]

    @property
    def only_field(self) -> str | None:
        """Return the field's name where the template is one bare field, else None."""
        bare = [(fixed, name, shape) for fixed, name, shape in self.parts if fixed or name]
        if len(bare) == 1 and not bare[0][0] and not bare[0][2]:
            return bare[0][1]
        return None

    @property
    def fields(self) -> frozenset[str]:
        """Return the names of the fields in it."""
        return frozenset(name for _, name, _ in self.parts if name)

    def filled(self, told: Told) -> str:
        """Return the text for one ring; a figure that is not known is a dash."""
        return "".join(
            fixed + (_shown(told, name, shape) if name else "") for fixed, name, shape in self.parts
        )

    def address(self, told: Told) -> str:
        """Return the text as an OSC address: marks that it may not hold become '_'."""
        return "".join(
            fixed + (PATTERN_MARKS.sub("_", _shown(told, name, shape)) if name else "")
            for fixed, name, shape in self.parts
        )


def template_of(text: str) -> Template:
    """Return the template that a text is.

    Raises
    ------
    BadTemplate
        If a field is unknown, a format is none, or a brace is left open.
    """
    try:
        parsed = list(string.Formatter().parse(text))
    except ValueError as fault:
        raise BadTemplate(f"has a brace that is not closed or opened ({fault})") from None
    parts = []
    for fixed, name, shape, conversion in parsed:
        if name is not None:
            _check_field(name, shape or "", conversion)
        parts.append((fixed, name, shape or ""))
    return Template(tuple(parts))


def address_of(text: str) -> Template:
    """Return the template of an address.

    Raises
    ------
    BadTemplate
        Also if what stands outside the braces is no OSC address, or a field has too many values.
    """
    template = template_of(text)
    fixed = "".join(part for part, _, _ in template.parts)
    if not text.startswith("/") or PATTERN_MARKS.search(fixed):
        raise BadTemplate(
            "is no OSC address; begin with / and use letters, figures, / - _ . and fields"
        )
    for _, name, _ in template.parts:
        if name is not None and name not in IN_ADDRESS:
            raise BadTemplate(f"may hold only {', '.join(IN_ADDRESS)} in braces, not {name}")
    return template


def _check_field(name: str, shape: str, conversion: str | None) -> None:
    if name not in NUMBERS and name not in TEXTS:
        known = ", ".join((*NUMBERS, *TEXTS))
        raise BadTemplate(f"names {{{name}}}, which is no field. Known: {known}")
    if conversion or not FORMAT.fullmatch(shape) or not _suits(name, shape):
        like = ".8" if name in TEXTS else "3" if name in WHOLE else ".1f"
        raise BadTemplate(f"gives {{{name}}} a format that does not suit it; try {{{name}:{like}}}")


def _suits(name: str, shape: str) -> bool:
    """Tell whether a field can be shown so, by showing whatever types it may have in use.

    A rule written beside Python's own would differ from it somewhere, and be found out at the
    first ring of a show.
    """
    try:
        shown = [format(sample, shape) for sample in _samples(name)]
    except ValueError:
        return False
    return all(shown)  # a text cut to nothing tells nobody anything, and is no blob


def _samples(name: str) -> tuple[int | float | str, ...]:
    """Return a value of each type that the event's record has under that name."""
    if name in TEXTS:
        return ("text",)
    if name in WHOLE:
        return (1,)
    return (31.5, 2500) if name == "band_hz" else (1.5,)


def _shown(told: Told, name: str, shape: str) -> str:
    if name in TEXTS:
        return format(TEXTS[name][1](told), shape)
    value = NUMBERS[name][1](told)
    if value is None:
        return NOTHING
    return format(value, shape) if shape else f"{value:.6g}"
