"""Three looks: dark for the night, light for full sun, plain where colours are off.

Luminance carries the difference, hue only helps: a ring is the more filled the worse it is, in
every theme. Blue and amber stay apart for all common kinds of colour blindness; no theme says
anything by colour that is not also a word or a shape.
"""

from dataclasses import dataclass

from rich.style import Style


@dataclass(frozen=True, slots=True)
class Theme:
    """Styles by what they mean."""

    name: str
    base: Style
    quiet: Style  # secondary text, still legible in the sun
    bar: Style  # head and foot of the screen
    suspect: Style
    ringing: Style
    howling: Style
    trouble: Style  # the watch itself is at fault
    strong: Style
    ringing_mark: Style  # a block that stands for the state: its height must show

    def of_state(self, rank: int) -> Style:
        """Return the style of a state: 0 calm, 1 suspect, 2 ringing, 3 howling."""
        return (self.base, self.suspect, self.ringing, self.howling)[rank]

    def mark_of_state(self, rank: int) -> Style:
        """Return the style of a block whose height tells the state: never a filled ground."""
        return (self.base, self.suspect, self.ringing_mark, self.strong)[rank]


def _ink(colour: str, ground: str, bold: bool = False) -> Style:
    return Style(color=colour, bgcolor=ground, bold=bold)


DARK = Theme(
    "dark",
    base=_ink("#e4e4e4", "#000000"),
    quiet=_ink("#a8a8a8", "#000000"),
    bar=_ink("#ffffff", "#303030", bold=True),
    suspect=_ink("#87d7ff", "#000000", bold=True),
    ringing=_ink("#000000", "#ffb000", bold=True),
    howling=_ink("#000000", "#ffffff", bold=True),
    trouble=_ink("#ffffff", "#6c2fa0", bold=True),
    strong=_ink("#ffffff", "#000000", bold=True),
    ringing_mark=_ink("#ffb000", "#000000", bold=True),
)

LIGHT = Theme(
    "light",
    base=_ink("#000000", "#ffffff"),
    quiet=_ink("#303030", "#ffffff"),
    bar=_ink("#000000", "#d0d0d0", bold=True),
    suspect=_ink("#003a8c", "#ffffff", bold=True),
    ringing=_ink("#000000", "#ffc940", bold=True),
    howling=_ink("#ffffff", "#000000", bold=True),
    trouble=_ink("#ffffff", "#5a1f8c", bold=True),
    strong=_ink("#000000", "#ffffff", bold=True),
    ringing_mark=_ink("#000000", "#ffffff", bold=True),
)

_INVERSE = Style(reverse=True, bold=True)

PLAIN = Theme(
    "plain",
    base=Style.null(),
    quiet=Style.null(),
    bar=Style(reverse=True),
    suspect=Style(bold=True),
    ringing=_INVERSE,
    howling=_INVERSE,
    trouble=_INVERSE,
    strong=Style(bold=True),
    ringing_mark=Style(bold=True),
)

BY_NAME = {theme.name: theme for theme in (DARK, LIGHT, PLAIN)}
"""`plain` keeps the terminal's own colours and is taken by itself where NO_COLOR is set."""


def after(theme: Theme) -> Theme:
    """Return the theme that the theme key brings next: dark and light in turn, plain stays."""
    return {"dark": LIGHT, "light": DARK}.get(theme.name, theme)
