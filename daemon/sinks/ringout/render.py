"""One frame of the ring-out from one view: pure, without terminal, clock or thread."""

from dataclasses import dataclass

from rich.cells import cell_len
from rich.style import Style

from prehowl.daemon.ringout.hearing import SILENT_DBFS
from prehowl.daemon.sinks.dashboard.channel_line import FLOOR_DBFS
from prehowl.daemon.sinks.dashboard.frame import Frame, Line, Paper
from prehowl.daemon.sinks.dashboard.glyphs import UNICODE, Signs
from prehowl.daemon.sinks.dashboard.render import health_parts
from prehowl.daemon.sinks.dashboard.themes import Theme
from prehowl.daemon.sinks.dashboard.wording import clean, clock_words, cut_to, joined
from prehowl.daemon.sinks.ringout.figure_rows import figure_rows, head_rows, word_rows
from prehowl.daemon.sinks.ringout.keys import hints
from prehowl.daemon.sinks.ringout.model import View
from prehowl.daemon.sinks.ringout.page import Page, Tone, page_of
from prehowl.daemon.sinks.ringout.wording import cut_list

MARGIN = " "
METER_CELLS = 12


@dataclass(frozen=True, slots=True)
class Layout:
    """Lines for each part, from top to bottom; together the height."""

    title: int
    head: int
    body: int  # figures, or the list of an advice
    sentences: int
    cuts: int
    status: int
    keys: int


def layout_of(width: int, height: int, texts: int) -> Layout:
    """Share out the lines: what to do first, then the figures, then all the rest.

    `texts` is the number of sentences that there are.
    """
    title, keys = int(height >= 8), int(height >= 6) + int(height >= 20)
    status, cuts = int(height >= 12), int(height >= 14) + int(height >= 36) + int(height >= 50)
    sentences = 1 + int(height >= 16) + min(2, max(0, texts - 2)) * int(height >= 20)
    free = height - title - keys - status - cuts - sentences
    head = 7 if free >= 26 and width >= 110 else 4 if free >= 11 else 1
    return Layout(title, head, max(0, free - head), sentences, cuts, status, keys)


def render(
    view: View, width: int, height: int, theme: Theme, now_s: float, signs: Signs = UNICODE
) -> Frame:
    """Draw the whole screen.

    Parameters
    ----------
    view : View
        From `Model.view`.
    width, height : int
        Size in cells, at least 1 each. Nothing is ever wider or higher.
    theme : Theme
        Looks; the words are the same in all.
    now_s : float
        The reader's monotonic time, seconds, as given to the model.
    signs : Signs
        Characters that the terminal can show.
    """
    paper = Paper(width, signs, theme)
    page = page_of(view, now_s)
    texts = [text for text in page.sentences if text]
    layout = layout_of(width, height, len(texts))
    lines = [_title(view, paper)] if layout.title else []
    lines += _head(page, layout.head, paper)
    body = _body(page, layout.body, paper)
    said = _texts(texts, layout.sentences, theme.strong, paper)
    lines += said + body if page.points else body + said
    lines += _cuts(view, layout.cuts, paper)
    lines += [_status(view, paper)] if layout.status else []
    lines += _keys(view, layout.keys, paper)
    return Frame.of(paper, height, lines)


def _title(view: View, paper: Paper) -> Line:
    right = f"{clock_words(view.time_s)} "
    name = f" ring-out{paper.signs.dot}{clean(view.title)}" if view.title else " ring-out"
    room = paper.width - len(right) - 1
    line = paper.line(paper.theme.bar)
    return line.put(cut_to(name, room, paper.signs.ellipsis)).put_right(right)


def _ground(tone: Tone, theme: Theme) -> Style:
    return {
        Tone.CALM: theme.strong,
        Tone.ACT: theme.ringing,
        Tone.STOP: theme.howling,
        Tone.TROUBLE: theme.trouble,
    }[tone]


def _head(page: Page, rows: int, paper: Paper) -> list[Line]:
    ground = _ground(page.tone, paper.theme)
    words = head_rows(page.head, page.right, rows, paper.width - 2, paper.signs)
    return [paper.line(ground).put(MARGIN).put(row) for row in words]


def _body(page: Page, rows: int, paper: Paper) -> list[Line]:
    """Return the figures, or the points of an advice, or air."""
    if page.points:
        return _points(page, rows, paper)
    width, signs = paper.width - 2, paper.signs
    drawn = [""] * rows
    if page.faders and rows:
        drawn = figure_rows(
            page.faders, rows, width, signs, chosen=page.chosen, is_faded=page.is_faded
        )
    elif page.words:
        drawn = word_rows(page.words, rows, width, signs)
    return [paper.line(paper.theme.strong).put(MARGIN).put(row) for row in drawn]


def _points(page: Page, rows: int, paper: Paper) -> list[Line]:
    """Return a list with air between its points where there is room for it."""
    gap = 2 if rows >= 2 * len(page.points) + 1 else 1
    lines = [paper.line(paper.theme.strong) for _ in range(rows)]
    for number, point in enumerate(page.points):
        at = number * gap + gap - 1
        if at < rows:
            lines[at].put(f"  {number + 1}  ").put(
                cut_to(point, paper.width - 6, paper.signs.ellipsis)
            )
    return lines


def _texts(texts: list[str], rows: int, style: Style, paper: Paper) -> list[Line]:
    """Return the sentences, each on its own line or as many on the last as fit."""
    room = paper.width - 2
    fitting = [cut_to(text, room, paper.signs.ellipsis) for text in texts]
    rest = [joined(fitting[rows - 1 :], room)] if len(fitting) >= rows else []
    shown = [*fitting[: rows - 1], *rest]
    lines = [paper.line(style).put(MARGIN).put(text) for text in shown]
    return lines + [paper.line() for _ in range(rows - len(lines))]


def _cuts(view: View, rows: int, paper: Paper) -> list[Line]:
    """Return the faders that are down; '+2 more' tells how many did not fit."""
    parts = cut_list(view.state) if view.state is not None else []
    room = paper.width - 2
    texts: list[str] = []
    line = "cut so far:" if parts else "no cuts yet"
    for number, part in enumerate(parts):
        more = f" +{len(parts) - number} more"
        gap = " " if number == 0 else paper.signs.dot
        is_last_row = len(texts) == rows - 1
        needed = cell_len(line) + cell_len(gap) + cell_len(part)
        if needed + (len(more) if is_last_row and number < len(parts) - 1 else 0) > room:
            if is_last_row:
                line += more
                break
            texts.append(line)
            line, gap = " " * 11, " "
        line += gap + part
    texts.append(line)
    lines = [paper.line(paper.theme.base).put(MARGIN).put(text) for text in texts[:rows]]
    return lines + [paper.line() for _ in range(rows - len(lines))]


def _status(view: View, paper: Paper) -> Line:
    """Return level, gain given and the health of input and receivers; trouble comes first.

    What an input that runs says of itself stands before the level. What one that is away says is
    the page's sentence, and its last level is none of now.
    """
    line = paper.line(paper.theme.quiet).put(MARGIN)
    if view.health is None:
        return line.put("input: waiting for the first audio")
    good, bad = health_parts(view.health, has_fresh_loss=view.has_fresh_loss)
    if bad:
        text = f"CHECK: {', '.join(bad)} "
        line.put(cut_to(text, paper.width - 1, paper.signs.ellipsis), paper.theme.trouble).put(" ")
    source = view.health.source
    is_running = source.state == "running"
    first = good[:1] if is_running and source.detail else []
    level = [_level(view.level_dbfs, paper.signs)] if is_running else []
    parts = [*first, *level, *_gains(view), *good[len(first) :]]
    return line.put(joined(parts, line.left - 1, paper.signs.dot))


def _gains(view: View) -> list[str]:
    """Return the gain that was told, and what has been won so far if that is known."""
    state = view.state
    if state is None:
        return []
    won = state.gain_won
    return [
        f"gain given {state.raised_db:+g} dB",
        *([] if won is None else [f"won {won.db:.1f} dB"]),
    ]


def _level(level_dbfs: float, signs: Signs) -> str:
    """Return the level as a bar and a figure."""
    share = min(1.0, max(0.0, 1 - level_dbfs / FLOOR_DBFS))
    full = round(share * METER_CELLS)
    bar = signs.meter[-1] * full + signs.meter[0] * (METER_CELLS - full)
    return f"{bar} {level_dbfs:.0f} dBFS" if level_dbfs > SILENT_DBFS else f"{bar} silent"


def _keys(view: View, rows: int, paper: Paper) -> list[Line]:
    """Return what can be pressed now, the most important first."""
    if not rows:
        return []
    style = paper.theme.bar
    lines, line = [], ""
    for text in hints(view):
        if line and len(line) + 3 + len(text) > paper.width - 2:
            lines.append(line)
            line = text
        else:
            line = f"{line}   {text}" if line else text
    lines.append(line)
    drawn = [paper.line(style).put(MARGIN).put(text) for text in lines[:rows]]
    return drawn + [paper.line(style) for _ in range(rows - len(drawn))]
