"""The report as a PDF: pages for what to change, then pages an act (needs matplotlib)."""

import textwrap
from pathlib import Path
from typing import Any

from prehowl.daemon.errors import OutputError, UsageError
from prehowl.daemon.logbook.advice import Advice
from prehowl.daemon.logbook.report.clock import day_words
from prehowl.daemon.logbook.report.data import ActPart, Report
from prehowl.daemon.sinks.words import band_words

PAPER_INCHES = (8.27, 11.69)
A4_CHANNELS = 8
MARKS_HZ = (63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000)
LINES = {"suspect": 1.0, "ringing": 2.5, "howling": 5.0}
COLOURS = {"suspect": "#7a6a00", "ringing": "#b34700", "howling": "#a3003c"}
LINE_CHARACTERS = 88
PAGE_LINES = 42
"""Of advice, in the space that its page leaves for them."""


def save_pdf(report: Report, path: Path) -> None:
    """Write the PDF.

    Raises
    ------
    UsageError
        If matplotlib is not installed.
    OutputError
        If the file cannot be written.
    """
    try:
        import matplotlib
    except ImportError:
        raise UsageError(
            "--pdf needs matplotlib: pip install 'prehowl[report]'. The HTML page does without"
        ) from None
    matplotlib.use("agg")
    from matplotlib.backends.backend_pdf import PdfPages

    try:
        with PdfPages(path) as pages:
            advice = advice_pages(report.advice)
            for number, lines in enumerate(advice, 1):
                pages.savefig(advice_page(report, lines, number, len(advice)))
            for part in report.acts:
                for first in range(0, len(part.channels), A4_CHANNELS):
                    pages.savefig(_act_page(part, first))
    except OSError as fault:
        raise OutputError(f"{path}: cannot be written ({fault.strerror})") from None


def advice_lines(advice: Advice) -> list[str]:
    """Return what to change as plain lines."""
    lines = [
        f"Pull {band_words(pull.band_hz)} by {pull.cut_db:g} dB on {pull.sheet} "
        f"(rang {pull.times} times, at {', '.join(pull.names)})"
        for pull in advice.pulls
    ]
    lines += [f"Look at {look.name}: {look.why}" for look in advice.looks]
    lines += [
        f"Keep an eye on {band_words(watch.band_hz)} on {watch.sheet} ({watch.name}): rang once"
        for watch in advice.watches
    ]
    return lines or ["Nothing: no band rang more than once"]


def advice_pages(advice: Advice) -> list[list[str]]:
    """Return what to change as lines that fit the paper's width, a list of them a page."""
    lines = [
        line
        for text in advice_lines(advice)
        for line in textwrap.wrap(text, LINE_CHARACTERS, subsequent_indent="    ")
    ]
    return [lines[n : n + PAGE_LINES] for n in range(0, len(lines), PAGE_LINES)]


def advice_page(report: Report, lines: list[str], number: int, count: int) -> Any:
    """Return a page of the advice as a figure: page `number`, from 1, of `count`."""
    figure = _figure()
    of = f" (page {number} of {count})" if count > 1 else ""
    head = f"{day_words(report.runs[0])}, {report.alarms} alarms, {report.suspects} suspicions"
    figure.text(0.08, 0.94, _plain(report.title), fontsize=18, weight="bold", va="top")
    figure.text(0.08, 0.905, head, fontsize=10, va="top")
    figure.text(0.08, 0.86, f"What to change tomorrow{of}", fontsize=13, weight="bold", va="top")
    figure.text(0.08, 0.835, _plain("\n".join(lines)), fontsize=10, va="top", linespacing=1.5)
    return figure


def _figure() -> Any:
    from matplotlib.figure import Figure

    return Figure(figsize=PAPER_INCHES)


def _act_page(part: ActPart, first: int) -> Any:
    figure = _figure()
    channels = part.channels[first : first + A4_CHANNELS]
    axes = figure.subplots(A4_CHANNELS, 1, sharex=True)
    for ax in axes[len(channels) :]:
        ax.set_visible(False)
    begin_s, end_s = part.act.begin_s, max(part.act.end_s, part.act.begin_s + 1)
    marks = part.clock.marks(begin_s, end_s)
    axes[len(channels) - 1].tick_params(labelbottom=True)  # else under the last of all, if drawn
    for ax, channel in zip(axes, channels, strict=False):
        for ring in channel.rings:
            until_s = end_s if ring.end_s is None else ring.end_s
            style = {"linewidth": LINES[ring.worst], "color": COLOURS[ring.worst]}
            ax.plot(
                [ring.onset_s, until_s], [ring.frequency_hz] * 2, solid_capstyle="butt", **style
            )
            if ring.alarm_s is not None:
                ax.plot([ring.alarm_s], [ring.frequency_hz], marker="v", color=style["color"])
        ax.set_yscale("log")
        ax.set_ylim(40, 18000)
        ax.set_yticks(MARKS_HZ, [band_words(mark) for mark in MARKS_HZ], fontsize=5)
        ax.minorticks_off()
        ax.set_xlim(begin_s, end_s)
        ax.set_xticks([time_s for time_s, _ in marks], [words for _, words in marks], fontsize=6)
        ax.set_title(_plain(f"{channel.row.number} {channel.row.name}"), fontsize=8, loc="left")
        ax.grid(linewidth=0.3)
    figure.suptitle(_plain(f"{part.title}, {part.span}"))
    return figure


def _plain(text: str) -> str:
    """Return the text with the mark that would begin a formula made harmless."""
    return text.replace("$", r"\$")
