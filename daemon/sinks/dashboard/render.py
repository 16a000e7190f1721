"""One frame from one view: pure, without terminal, clock or thread."""

from rich.cells import cell_len

from prehowl.daemon.events import RingEvent
from prehowl.daemon.facts import lines_of
from prehowl.daemon.notes import Note
from prehowl.daemon.sinks.base import Health
from prehowl.daemon.sinks.dashboard.channel_line import channel_lines
from prehowl.daemon.sinks.dashboard.channels import axis_line, strip_lines
from prehowl.daemon.sinks.dashboard.frame import Frame, Line, Paper
from prehowl.daemon.sinks.dashboard.glyphs import UNICODE, Signs
from prehowl.daemon.sinks.dashboard.layout import Layout, layout_of
from prehowl.daemon.sinks.dashboard.model import View
from prehowl.daemon.sinks.dashboard.panel import panel_of
from prehowl.daemon.sinks.dashboard.panel_lines import panel_lines
from prehowl.daemon.sinks.dashboard.themes import Theme
from prehowl.daemon.sinks.dashboard.wording import (
    band_and_cut,
    clean,
    clock_words,
    cut_to,
    joined,
    name_first,
    note_words,
    trend_words,
)
from prehowl.detectors.rings import RingState

BUSY_LOAD = 0.8
"""Share of real time from which the health line asks for attention (our choice)."""


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
    return Frame.of(paper, height, frame_lines(view, paper, height, now_s))


def frame_lines(
    view: View, paper: Paper, height: int, now_s: float, *, has_keys: bool = True
) -> list[Line]:
    """Return the screen as exactly `height` lines; the line of keys can be left out."""
    layout = layout_of(paper.width, height, view.numbers, has_keys=has_keys)
    first = layout.first_row(view.page, len(view.numbers))
    shown = min(layout.channels, len(view.numbers) - first)
    lines = [_title(view, layout, first, paper)] if layout.title else []
    lines += panel_lines(panel_of(view, now_s), layout.panel, paper, now_s)
    lines += strip_lines(view, layout.strip, paper) if layout.strip else []
    lines += [axis_line(view, first, shown, paper)] if layout.axis else []
    lines += channel_lines(view, first, layout.channels, paper)
    lines += [paper.line() for _ in range(layout.channels - shown)]
    lines += _event_lines(view, layout.events, paper)
    lines += [_health_line(view, paper)] if layout.health else []
    lines += [_keys_line(view, paper)] if layout.keys else []
    return [*lines[:height], *(paper.line() for _ in range(height - len(lines)))]


def _title(view: View, layout: Layout, first: int, paper: Paper) -> Line:
    line = paper.line(paper.theme.bar)
    total = len(view.numbers)
    time = clock_words(view.time_s)
    pages = layout.pages(total)
    page = f"page {first // max(1, layout.channels) + 1} of {pages}   " if pages > 1 else ""
    right = f"{page}{time} "
    dot, room = paper.signs.dot, paper.width - len(right) - 1
    act = f"{dot}{view.act_words}" if view.act_words else ""
    name = dot.join(part for part in (" prehowl", view.title) if part)
    if cell_len(act) + len(" prehowl") <= room:  # who is on outlasts the name of the show
        name = cut_to(name, room - cell_len(act), paper.signs.ellipsis)
    return line.put(cut_to(name + act, room, paper.signs.ellipsis)).put_right(right)


def _event_lines(view: View, count: int, paper: Paper) -> list[Line]:
    """Return the newest events, the newest on top."""
    lines = [_event_line(view, event, paper) for event in view.log[:count]]
    return lines + [paper.line() for _ in range(count - len(lines))]


def _event_line(view: View, event: RingEvent | Note, paper: Paper) -> Line:
    if isinstance(event, Note):
        return paper.line(paper.theme.quiet).put(note_words(event))
    rank = 2 if event.is_alarm else 1 if event.state is RingState.SUSPECT else 0
    sign = paper.signs.states[3 if event.state is RingState.HOWLING else rank]
    head = f"{sign}{clock_words(event.time_s):>7}  {event.state!s:<8} "
    band = f" {band_and_cut(event)}"
    said = name_first(view.name_of(event), band, paper.width - cell_len(head), paper.signs.ellipsis)
    style = paper.theme.quiet if rank == 0 else paper.theme.base
    return paper.line(style).put(joined([head + said, trend_words(event)], paper.width))


def _health_line(view: View, paper: Paper) -> Line:
    if view.snapshot is None:
        return paper.line(paper.theme.quiet).put(" input: waiting for the first audio")
    good, bad = health_parts(view.snapshot.health, has_fresh_loss=view.has_fresh_loss)
    line = paper.line(paper.theme.quiet)
    if bad:
        text = f" CHECK: {', '.join(bad)} "
        line.put(cut_to(text, paper.width, paper.signs.ellipsis), paper.theme.trouble)
    return line.put(" ").put(joined(good, line.left, paper.signs.dot))


def health_parts(health: Health, *, has_fresh_loss: bool) -> tuple[list[str], list[str]]:
    """Return what is well and what is not, each in a few words; old losses are only counted.

    What an input that runs says of itself comes first: of parts that do not fit the last are left
    out. What one that is away says stands large already.
    """
    source = health.source
    targets = [clean(f"OSC {name} {state}") for name, state in health.targets]
    asked = [] if health.osc_in is None else [clean(f"OSC {health.osc_in.words}")]
    checks = (
        (f"input {source.state}", source.state in ("running", "ended")),
        (f"load {100 * health.load:.0f} %", health.load < BUSY_LOAD),
        *((text, text.endswith(" ok")) for text in targets),
        *((text, True) for text in asked),
        (f"overflows {source.overflows}", source.overflows == 0 or not has_fresh_loss),
        (f"dropped {health.dropped_blocks}", health.dropped_blocks == 0 or not has_fresh_loss),
        (f"lost samples {source.lost_samples}", source.lost_samples == 0 or not has_fresh_loss),
    )
    detail = [clean(source.detail)] if source.detail else []
    good = [text for text, is_well in checks if is_well]
    bad = [text for text, is_well in checks if not is_well]
    if source.state == "running":
        good = detail + good
    else:
        good += detail
    return good, bad + [clean(text) for text in lines_of(health.troubles)]


def _keys_line(view: View, paper: Paper) -> Line:
    line = paper.line(paper.theme.bar)
    if view.asked_to_quit:
        return line.put(" press q again to stop watching")
    if view.notice is not None:
        words = f" {note_words(view.notice).strip()}"
        return line.put(cut_to(words, paper.width, paper.signs.ellipsis))
    if not view.has_keys:
        return line.put(" no keyboard here: stop with Ctrl-C or SIGTERM")
    acts = "   [ ] act" if view.act_words else ""
    long = f" n next page   p page back   w worst   a acknowledge{acts}   t theme   q q quit"
    short = f" n p page  a ack{'  [ ] act' if acts else ''}  t theme  q q quit"
    return line.put(long if len(long) <= paper.width else short)
