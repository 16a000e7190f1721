"""Several daemons on one screen, the worst first: pure, from views to a frame.

The worst one gets the dashboard as it is; each other one a few lines: its name and act, its message
in words with the state first, and its channels at a glance. One that is picked fills the screen.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from rich.cells import cell_len

from prehowl.daemon.sinks.dashboard.channels import Columns, strip_height, strip_lines
from prehowl.daemon.sinks.dashboard.frame import Frame, Line, Paper
from prehowl.daemon.sinks.dashboard.glyphs import UNICODE, Signs
from prehowl.daemon.sinks.dashboard.layout import Layout, layout_of
from prehowl.daemon.sinks.dashboard.model import View
from prehowl.daemon.sinks.dashboard.panel import Panel, panel_of
from prehowl.daemon.sinks.dashboard.render import frame_lines
from prehowl.daemon.sinks.dashboard.themes import Theme
from prehowl.daemon.sinks.dashboard.wording import cut_to, joined

URGENCY = {3: 4, 2: 3, 4: 2, 1: 1, 0: 0}
"""Rank of a panel -> urgency: a howl or a ring that a hand can stop goes before a lost daemon,
which would else hide them for as long as it is away."""
LOST_RANK = 4
KEYS_FROM = 8  # lines
FEWEST_LINES = 10  # of the worst one's dashboard: its title, its figures and its strip
MOST_LINES = 5  # of each other one
GAP = "  "
FEWEST_OF_LABEL = 4
"""Cells below which a piece of a daemon's name says nothing; its digit always stands."""
ROOMY = 36
"""Lines below which a calm daemon gets one, so that the worst one's figures stay large."""


@dataclass(frozen=True, slots=True)
class Stage:
    """One daemon on the wall."""

    key: str  # digit that picks it
    label: str
    view: View


def worst_first(stages: Sequence[Stage], now_s: float) -> list[Stage]:
    """Return the daemons by urgency, those of the same in their own order."""
    return sorted(stages, key=lambda stage: -URGENCY[panel_of(stage.view, now_s).rank])


def wall(
    stages: Sequence[Stage],
    width: int,
    height: int,
    theme: Theme,
    now_s: float,
    signs: Signs = UNICODE,
    *,
    picked: str = "",
    asked_to_quit: bool = False,
) -> Frame:
    """Draw all daemons, or the one whose key is picked.

    Parameters
    ----------
    stages : sequence of Stage
        In the order they were named; at least one.
    width, height : int
        Size in cells, at least 1 each. Nothing is ever wider or higher.
    theme, now_s, signs
        As for `render`.
    picked : str
        Key of the daemon that fills the screen; "" for all.
    asked_to_quit : bool
        Whether one more `q` ends it.
    """
    paper = Paper(width, signs, theme)
    order = _order(stages, picked, now_s)
    bar = int(height >= KEYS_FROM)
    below = _below(order[1:], height - bar, paper, now_s)
    worst, view = order[0], order[0].view
    named = replace(view, title=f"{worst.key} {view.title}") if len(order) > 1 else view
    lines = frame_lines(named, paper, height - bar - len(below), now_s, has_keys=False) + below
    if bar:
        lines.append(_keys_line(stages, paper, picked, asked_to_quit=asked_to_quit))
    return Frame.of(paper, height, lines)


def shown_layout(
    stages: Sequence[Stage], width: int, height: int, theme: Theme, now_s: float, picked: str = ""
) -> Layout:
    """Return how the lines of the large dashboard are shared out, for its pages of channels."""
    order, room = _order(stages, picked, now_s), height - int(height >= KEYS_FROM)
    below = _below(order[1:], room, Paper(width, UNICODE, theme), now_s)
    return layout_of(width, room - len(below), order[0].view.numbers, has_keys=False)


def _order(stages: Sequence[Stage], picked: str, now_s: float) -> list[Stage]:
    """Return the daemons that are drawn, the one with the large dashboard first."""
    return [stage for stage in stages if stage.key == picked] or worst_first(stages, now_s)


def _below(others: Sequence[Stage], height: int, paper: Paper, now_s: float) -> list[Line]:
    """Return the few lines of all but the worst; at least one is left for that."""
    most = max(1, (height - FEWEST_LINES) // len(others)) if others else 0
    below: list[Line] = []
    for stage in others:
        is_calm = panel_of(stage.view, now_s).rank == 0
        few = 1 if is_calm and height < ROOMY else min(most, MOST_LINES)
        below += _few_lines(stage, few, paper, now_s)
    return below[: height - 1]


def _few_lines(stage: Stage, most: int, paper: Paper, now_s: float) -> list[Line]:
    """Return one daemon in at most so many lines; what it says comes first if there is only one."""
    panel, view = panel_of(stage.view, now_s), stage.view
    message = _message(stage, panel, paper)
    if most == 1:
        return [message]
    # What a lost daemon's channels last were is no news, and would look calm.
    strip = 0 if panel.rank == LOST_RANK else min(most - 2, _strip_height(view, paper.width))
    return [_head(stage, paper), message, *(strip_lines(view, strip, paper) if strip else [])]


def _strip_height(view: View, width: int) -> int:
    if not view.numbers:
        return 0
    digits = Columns.for_width(width, view.numbers).number
    return strip_height(len(view.numbers), width, digits)


def _head(stage: Stage, paper: Paper) -> Line:
    parts = [f" {stage.key} {stage.view.title}", stage.view.act_words]
    words = paper.signs.dot.join(part for part in parts if part)
    return paper.line(paper.theme.bar).put(cut_to(words, paper.width, paper.signs.ellipsis))


def _message(stage: Stage, panel: Panel, paper: Paper) -> Line:
    """Return what the daemon has to say on one line, in the colour of its urgency.

    How bad it is stands first, in the same place for all; its name makes room for it.
    """
    style = paper.theme.trouble if panel.rank == LOST_RANK else paper.theme.of_state(panel.rank)
    line = paper.line(style).put(f" {stage.key} ")
    said = panel.message(line.left, paper.signs.ellipsis)
    room = line.left - cell_len(said) - len(GAP) - 1
    label = cut_to(stage.label, room, paper.signs.ellipsis) if room >= FEWEST_OF_LABEL else ""
    cells = line.left - (cell_len(label) + len(GAP) + 1 if label else 0)
    return line.put(joined([said, *panel.sentence[1:]], cells)).put_right(f"{label} ")


def _keys_line(stages: Sequence[Stage], paper: Paper, picked: str, *, asked_to_quit: bool) -> Line:
    line = paper.line(paper.theme.bar)
    if asked_to_quit:
        return line.put(" press q again to detach; the daemons go on")
    several = len(stages) > 1
    pick = f"1-{len(stages)} one   " if several else ""
    back = "0 all   " if picked and several else ""
    long = (
        f" {back or pick}n next page   p page back   w worst   a acknowledge   t theme   q q quit"
    )
    short = f" {back or pick}n p page  a ack  t theme  q q quit"
    return line.put(long if len(long) <= paper.width else short)
