"""One page to tape beside the desk, as PDF or PNG. Needs matplotlib (extra `print`)."""

import io
import os
import tempfile
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from rich.cells import cell_len

from prehowl.daemon.errors import OutputError, UsageError
from prehowl.daemon.sheets.effect import sheet_response_db
from prehowl.daemon.sheets.sheet import Sheet
from prehowl.daemon.sheets.wording import (
    gain_line,
    gain_words,
    head_lines,
    loss_line,
    ring_lines,
)
from prehowl.daemon.sinks.words import band_words, printable
from prehowl.detectors.bands import NOMINAL_HZ, edges_hz, exact_centres_hz

if TYPE_CHECKING:
    from matplotlib.axes import Axes

SUFFIXES = (".pdf", ".png")
A4_IN = (11.69, 8.27)
RINGS_MOST = 7
CAUTION = (
    "Pull the send down before you plug or unplug. Ear protection on; nobody in front of the wedge "
    "while it is rung out. Never on evacuation or life-safety sound."
)


def print_page(sheet: Sheet, path: Path) -> None:
    """Write the sheet as one landscape A4 page.

    Parameters
    ----------
    sheet : Sheet
    path : Path
        Ends in .pdf or .png; replaced whole if it exists.

    Raises
    ------
    UsageError
        If the suffix is another one, or matplotlib is not installed.
    OutputError
        If the file cannot be written; what was there is then still there.
    """
    if path.suffix.lower() not in SUFFIXES:
        raise UsageError(f"{path}: a page ends in .pdf or .png")
    data = _drawn(sheet, path.suffix.lower().removeprefix("."))
    try:
        handle, temporary = tempfile.mkstemp(prefix=".new-", suffix=".tmp", dir=path.parent)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(data)
                os.fchmod(file.fileno(), 0o644)
            os.replace(temporary, path)
        except OSError:
            os.unlink(temporary)
            raise
    except OSError as fault:
        raise OutputError(f"{path}: cannot be written ({fault.strerror})") from None


def _drawn(sheet: Sheet, kind: str) -> bytes:
    try:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure
    except ImportError:
        raise UsageError(
            "print needs matplotlib, which is not installed: pip install 'prehowl[print]'"
        ) from None
    figure = Figure(figsize=A4_IN)
    FigureCanvasAgg(figure)
    grid: dict[str, Any] = {"left": 0.06, "right": 0.98, "top": 0.80, "bottom": 0.36}
    axes = figure.subplots(gridspec_kw=grid)
    _draw_faders(axes, sheet)
    _write_words(figure, sheet)
    stream = io.BytesIO()
    with warnings.catch_warnings():
        # A sign that the font lacks (an emoji in a name) is drawn as a box; that is told nowhere
        # else, but it keeps nobody from reading the page.
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        figure.savefig(stream, format=kind, dpi=150)
    return stream.getvalue()


def _draw_faders(axes: "Axes", sheet: Sheet) -> None:
    places = np.arange(len(NOMINAL_HZ))
    fine = np.geomspace(edges_hz()[0], edges_hz()[-1], 800)
    along = np.interp(np.log(fine), np.log(exact_centres_hz()), places)
    response = sheet_response_db(sheet, fine)
    low = min(-9.0, *sheet.faders_db, float(response.min())) - 2
    high = max(2.0, *sheet.faders_db, float(response.max())) + 1
    axes.fill_between(along, response, color="0.85", label="all together")
    axes.plot(along, response, color="0.45", linewidth=1)
    axes.bar(places, sheet.faders_db, width=0.42, color="black", label="faders")
    for place, gain in zip(places, sheet.faders_db, strict=True):
        if gain:
            axes.annotate(
                gain_words(gain),
                (place, max(0.0, gain)),
                xytext=(0, 4),
                textcoords="offset points",
                ha="center",
                va="bottom",
                fontsize=10.5,
                fontweight="bold",
            )
    axes.axhline(0, color="black", linewidth=1.2)
    axes.set(xlim=(-0.7, len(places) - 0.3), ylim=(low, high), ylabel="dB")
    labels = [f"{hz / 1000:g}k" if hz >= 1000 else f"{hz:g}" for hz in NOMINAL_HZ]
    axes.set_xticks(places, labels, fontsize=8)
    for tick, gain in zip(axes.get_xticklabels(), sheet.faders_db, strict=True):
        tick.set_fontweight("bold" if gain else "normal")
    axes.grid(axis="y", color="0.8", linewidth=0.6)
    axes.set_axisbelow(True)
    axes.legend(loc="lower left", frameon=False, ncols=2)


def _large_faders(sheet: Sheet) -> tuple[list[str], float]:
    """Return the faders to set in one or more lines, and how large they can be written."""
    moved = [
        f"{band_words(hz)} {gain_words(gain)}"
        for hz, gain in zip(NOMINAL_HZ, sheet.faders_db, strict=True)
        if gain
    ]
    rows = 1 if len(moved) <= 6 else 2 if len(moved) <= 14 else 3
    each = -(-max(len(moved), 1) // rows)
    lines = ["     ".join(moved[n : n + each]) for n in range(0, len(moved), each)]
    longest = max(map(len, lines), default=1)
    return lines or ["all faders flat"], min(22.0 / max(1, rows - 0.5), 1350 / max(longest, 1))


def _write_words(figure: Any, sheet: Sheet) -> None:
    def put(x: float, y: float, text: str, size: float, **more: Any) -> None:
        # parse_math off: a dollar sign in a name is a dollar sign.
        figure.text(x, y, printable(text), fontsize=size, va="top", parse_math=False, **more)

    title = sheet.title
    put(0.03, 0.97, title, min(30.0, 1150 / max(cell_len(title), 1)), fontweight="bold")
    put(0.03, 0.895, "   ".join(head_lines(sheet)[-2:]), 12)
    put(0.03, 0.865, "   ".join(filter(None, (gain_line(sheet), loss_line(sheet)))), 12)
    lines, size = _large_faders(sheet)
    for number, line in enumerate(lines):
        put(0.03, 0.305 - 0.0018 * size * number, line, size, fontweight="bold")
    rows = ring_lines(sheet)
    if len(rows) > RINGS_MOST + 1:
        rows = [*rows[: RINGS_MOST + 1], f"and {len(sheet.rings) - RINGS_MOST} more"]
    for number, row in enumerate(rows):
        put(0.03, 0.235 - 0.02 * number, row, 9.5, family="monospace")
    if sheet.note:
        put(0.55, 0.235, f"note: {sheet.note}", 10, wrap=True)
    put(0.03, 0.035, CAUTION, 9, color="0.3")
