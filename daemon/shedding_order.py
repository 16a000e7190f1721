"""The order in which a watch gives things up when the computer cannot keep up, and why it is this.

Screens first: nothing is lost. Then the long frames: they alone see below 55 Hz, and above that
the main ones found every ring without them. Then the brief ones, whose work the main and the short
ones do between them, a little later. Then the short ones, without which the fastest howls are late
or missed. The main frames stay: they see rings of every pitch. Reference channels last, since
without them music is alarmed, and little is won. All of it was measured: docs/bench.md.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Protocol

from prehowl.daemon.shedding import Shedder, Step

FRAMES = (
    ("long", Step("long frames", "rings under 55 Hz are missed", 0.16)),
    ("brief", Step("brief frames", "some rings come a little later", 0.25)),
    ("short", Step("short frames", "rings over 300 dB/s are missed", 0.26)),
)
"""Name of a resolution, and what it is to do without it. Shares of all work with 64 channels."""

OF_REFERENCE = 0.16
"""Share of a channel's work that a reference does not take while it is left out: it is still
framed and remembered, as silence."""


class SlowScreen(Protocol):
    """A screen that can be drawn less often."""

    def draw_slowly(self, is_slow: bool) -> None:
        """Draw less often from now on, or as usual."""


class Sparing(Protocol):
    """An engine that can do without a part of its work."""

    def leave_out(self, names: Collection[str] = (), *, references: bool = False) -> None:
        """Do without these resolutions, and reference channels, from now on; with all others."""


@dataclass(slots=True)
class _Order:
    engine: Sparing
    screens: Sequence[SlowScreen]

    def apply(self, level: int) -> None:
        """Leave out the first `level` steps, do all others."""
        of_screens = bool(self.screens)
        for screen in self.screens:
            screen.draw_slowly(level >= 1)
        frames = max(0, level - of_screens)
        names = [name for name, _ in FRAMES[:frames]]
        self.engine.leave_out(names, references=frames > len(FRAMES))


def shedder_for(
    engine: Sparing, screens: Sequence[SlowScreen], *, channels: int, references: int
) -> Shedder:
    """Return what gives things up, in order, on these parts.

    Parameters
    ----------
    engine : Sparing
    screens : sequence of SlowScreen
        The dashboard and what serves attached ones; without any that step is left away.
    channels, references : int
        How many there are, and how many of them are reference channels.
    """
    steps = steps_for(screens=bool(screens), channels=channels, references=references)
    return Shedder(steps, _Order(engine, screens).apply)


def steps_for(*, screens: bool, channels: int, references: int) -> list[Step]:
    """Return what can be given up, in order; `screens`: whether there are any."""
    steps = [Step("screens at full pace", "nothing is lost", 0.03)] if screens else []
    steps += [step for _, step in FRAMES]
    if references:
        left = 1 - sum(step.saves for step in steps)
        saves = OF_REFERENCE * left * references / channels
        steps.append(Step("reference channels", "music may be alarmed", saves))
    return steps
