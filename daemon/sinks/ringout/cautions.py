"""The cautions at the start of a ring-out: short, and read before anything sounds.

The figures are computed from the published limits (`detectors.exposure`). The same points, longer
and with their sources, are in docs/safety.md.
"""

import sys
import textwrap
import threading

from rich.console import Console

from prehowl.daemon.errors import UsageError
from prehowl.daemon.sinks.dashboard.frame import Frame, Line, Paper
from prehowl.daemon.sinks.dashboard.glyphs import Signs
from prehowl.daemon.sinks.dashboard.terminal import is_usable, standard_console
from prehowl.daemon.sinks.dashboard.themes import Theme
from prehowl.daemon.sinks.dashboard.wording import cut_to
from prehowl.daemon.sinks.full_screen import FullScreen
from prehowl.daemon.sinks.ringout.figure_rows import head_rows
from prehowl.detectors.exposure import NIOSH, allowed_s

HOWL_DBA = 110.0
"""A howl of a wedge at the microphone, as an example (common practice, no source)."""
KEYS = {"y": "yes", "q": "quit", "t": "theme"}
POINTS = (
    (
        "EARS",
        f"A howl hurts within seconds: {HOWL_DBA:g} dBA at the ear uses up a whole day's dose in "
        f"{allowed_s(HOWL_DBA, NIOSH):.0f} s (NIOSH). Wear ear protection; measure the level at "
        "the mic position before anyone stands there; keep every ring short and low.",
    ),
    (
        "PEOPLE",
        "Nobody in front of the wedge while it is rung out, nobody with in-ears on. "
        "A hand on the send or the master.",
    ),
    (
        "AMPLIFIERS",
        "Limiters stay in and as they were set: they save drivers and ears when all else is late.",
    ),
    (
        "EVACUATION",
        "Never touch, mute or ring out a system that carries evacuation or other life-safety "
        "announcements.",
    ),
    ("LAW", "Local codes and licensed practice come first."),
)


def lines(width: int = 79) -> list[str]:
    """Return the cautions as lines of plain text, at most `width` characters each."""
    indent = " " * 12
    return [
        line
        for word, text in POINTS
        for line in textwrap.wrap(
            f"{word:<{len(indent)}}{text}", max(width, 30), subsequent_indent=indent
        )
    ]


def acknowledged(
    *, is_live: bool, yes: bool, theme: str = "dark", console: Console | None = None
) -> bool:
    """Show the cautions and wait until they are read; tell whether to go on.

    Parameters
    ----------
    is_live : bool
        Whether real loudspeakers can ring; a virtual stage and a recording hurt nobody.
    yes : bool
        The person has said beforehand that they are known (`--yes`).
    theme : str
        As of the ring-out screen.
    console : Console, optional
        Standard output by default.

    Raises
    ------
    UsageError
        If there is no terminal to ask on.
    """
    if yes or not is_live:
        return True
    console = standard_console() if console is None else console
    if not (is_usable(console) and sys.stdin is not None and sys.stdin.isatty()):
        raise UsageError(
            "a ring-out makes real loudspeakers howl, and its cautions must be read first, on a "
            "terminal. Read docs/safety.md, then add --yes"
        )
    return _Asking(theme, console).answer()


class _Asking:
    """The cautions on a full screen, and the answer. The owner of its `FullScreen`."""

    def __init__(self, theme: str, console: Console) -> None:
        self._screen = FullScreen(
            self,
            KEYS,
            theme=theme,
            console=console,
            what="the screen with the cautions",
            goes_on="Nothing was started.",
        )
        self._answered = threading.Event()
        self._is_yes = False

    def answer(self) -> bool:
        """Show them until a key answers; Ctrl-C goes its usual way."""
        try:
            self._screen.take()
            self._screen.start()
            while not self._answered.wait(0.1) and not self._screen.faults:
                pass
        finally:
            self._screen.close()
        return self._is_yes

    def frame(self, width: int, height: int, theme: Theme, signs: Signs) -> Frame:
        """Return the cautions."""
        return frame(width, height, theme, signs)

    def obey(self, action: str) -> None:
        """Take the answer."""
        self._is_yes = action == "yes"
        self._answered.set()

    def lines_instead(self) -> list[str]:
        """Return nothing: the question ends with the screen."""
        return []


def frame(width: int, height: int, theme: Theme, signs: Signs) -> Frame:
    """Return the cautions as one screenful; on a small one without air, then without the head."""
    paper = Paper(width, signs, theme)
    wrapped = [textwrap.wrap(f"{word}: {text}", max(10, width - 2)) for word, text in POINTS]
    rows = sum(map(len, wrapped))
    free = height - rows - 1
    head = 4 if free >= 4 and width >= 60 else int(free >= 1)
    has_air = free - head >= len(POINTS) - 1
    drawn = head_rows("READ THIS", "", head, width - 2, signs) if head else []
    body = [paper.line(theme.howling).put(" ").put(text) for text in drawn]
    for number, texts in enumerate(wrapped):
        body += [paper.line()] if has_air and number else []
        body += [paper.line(theme.strong).put(" ").put(text) for text in texts]
    if len(body) > height - 1:
        text = cut_to("The window is too small: the rest is in docs/safety.md", width - 1)
        body = [*body[: max(0, height - 2)], paper.line(theme.trouble).put(" ").put(text)]
        body = body[: height - 1]
    body += [paper.line() for _ in range(height - 1 - len(body))]
    return Frame.of(paper, height, [*body, _keys(paper)])


def _keys(paper: Paper) -> Line:
    return paper.line(paper.theme.bar).put(" Y I have read this: begin   Q leave   T theme")
