"""A sheet in words, at most 80 columns wide."""

import math
from collections.abc import Sequence
from datetime import datetime

from rich.cells import cell_len, chop_cells

from prehowl.daemon.sheets.effect import (
    MovedRing,
    differences,
    moved_rings,
    sheet_loss,
    sheet_response_db,
)
from prehowl.daemon.sheets.sheet import Sheet
from prehowl.daemon.sinks.words import band_words, frequency_words, printable
from prehowl.detectors.bands import NOMINAL_HZ, exact_centres_hz
from prehowl.detectors.eq_solver import solve_notches
from prehowl.detectors.graphic_eq import HIGHEST_CENTRE

WIDTH = 80
DEEPEST_NOTCH_DB = 24.0


def moment_words(at: str) -> str:
    """Return a moment as on a label: `2026-07-04 14:30`, as its place's clock showed it."""
    if not at:
        return ""
    return datetime.fromisoformat(at).isoformat(" ", "minutes")[:16]


def gain_words(gain_db: float) -> str:
    """Return a fader position: `-3`, `+1.5`, `0`."""
    return f"{gain_db:+g}" if gain_db else "0"


def head_lines(sheet: Sheet) -> list[str]:
    """Return names, version, when and where it was found, and the kind of equaliser."""
    when = " ".join(
        filter(None, (moment_words(sheet.made_at), sheet.place and f"in {sheet.place}"))
    )
    air = "" if sheet.temperature_c is None else f"{sheet.temperature_c:g} °C"
    found = ", ".join(filter(None, (when, air)))
    desk = f"{sheet.eq}, steps of {sheet.fader_step_db:g} dB, cap {sheet.fader_cap_db:g} dB"
    lines = [
        sheet.title,
        f"version {sheet.version}: {found or 'nobody noted when and where'}",
        desk,
    ]
    return [line for text in lines for line in wrapped(text)]


def faders_line(sheet: Sheet) -> str:
    """Return the faders that are not flat, in words."""
    moved = [
        f"{band_words(hz)} {gain_words(gain)}{' (at its cap)' if sheet.at_cap(band) else ''}"
        for band, (hz, gain) in enumerate(zip(NOMINAL_HZ, sheet.faders_db, strict=True))
        if gain
    ]
    if not moved:
        return "all faders flat"
    total = -sum(gain for gain in sheet.faders_db if gain < 0)
    return f"faders: {', '.join(moved)}; {total:g} dB of cuts in all"


def loss_line(sheet: Sheet) -> str:
    """Return what the sheet takes from pink noise and speech, in words."""
    loss = sheet_loss(sheet)
    return f"takes {loss.pink_db:.1f} dB from pink noise, {loss.speech_db:.1f} dB from speech"


def gain_line(sheet: Sheet) -> str:
    """Return what was won, and how far the send was pulled back; empty if nobody noted it."""
    give_or_take = sheet.gain_won_uncertainty_db
    doubt = "" if give_or_take is None else f" ± {give_or_take:g}"
    won = sheet.gain_won_db
    parts = [
        "" if won is None else f"gain before feedback won: {won:g}{doubt} dB",
        "" if sheet.pull_back_db is None else f"send pulled back {sheet.pull_back_db:g} dB",
    ]
    return "; ".join(filter(None, parts))


def ring_lines(sheet: Sheet) -> list[str]:
    """Return the rings in the order in which they came."""
    if not sheet.rings:
        return ["no rings noted"]
    rows = [
        f"{number:>3}  {frequency_words(ring.frequency_hz):>9}  {band_words(ring.band_hz):>9} "
        f"pulled by {ring.cut_db:g} dB  {moment_words(ring.at)}"
        for number, ring in enumerate(sheet.rings, 1)
    ]
    return ["rings, in the order in which they came:", *map(str.rstrip, rows)]


def temperature_lines(sheet: Sheet, now_c: float) -> list[str]:
    """Return which rings may have crossed into the next band in other air."""
    if sheet.temperature_c is None:
        return ["nobody noted the air temperature then; how far the rings moved is not known"]
    moved = moved_rings(sheet, now_c)
    crossed = [ring for ring in moved if ring.has_crossed]
    change = now_c - sheet.temperature_c
    head = f"air {now_c:g} °C now, {sheet.temperature_c:g} °C then ({change:+g} K)"
    if not moved:
        return [f"{head}: no rings noted"]
    share = 1200 * _octaves(moved[0])
    head += f": rings {share:+.0f} cents"
    if not crossed:
        return [f"{head}, all in the band that they were in"]
    return [f"{head}; these may have crossed into the next band:", *map(_crossing, crossed)]


def compare_lines(first: Sheet, second: Sheet) -> list[str]:
    """Return which bands of two sheets differ by a step or more, and what that takes away."""
    found = differences(first, second)
    step = max(first.fader_step_db, second.fader_step_db)
    if not found:
        return [f"no band differs by a step ({step:g} dB) or more"]
    rows = [
        f"{band_words(one.band_hz):>9}  {gain_words(one.first_db):>5}  "
        f"{gain_words(one.second_db):>5}  {one.second_db - one.first_db:+g} dB"
        for one in found
    ]
    count = len(found)
    head = f"{count} band{'s' * (count != 1)} differ{'s' * (count == 1)} by {step:g} dB or more:"
    return [head, f"{'band':>9}  first  second", *rows]


def history_lines(sheet: Sheet) -> list[str]:
    """Return what was done to the sheet, oldest first."""
    return [
        line
        for change in sheet.history
        for line in wrapped(f"{moment_words(change.at)}  {change.what}", "    ")
    ]


def notch_lines(sheet: Sheet, most: int) -> list[str]:
    """Return at most `most` parametric notches that do about the same."""
    centres = exact_centres_hz()
    places = [
        float(hz)
        for hz, gain in zip(centres, sheet.faders_db, strict=True)
        if gain < 0 and hz < HIGHEST_CENTRE * sheet.rate_hz
    ]
    wanted = [max(0.0, -float(level)) for level in sheet_response_db(sheet, places)]
    found = solve_notches(
        places,
        wanted,
        sheet.rate_hz,
        most=most,
        step_db=sheet.fader_step_db,
        cap_db=DEEPEST_NOTCH_DB,
        octaves=1 / 3,
    )
    return [f"as parametric notches, {most} at most:"] + [
        f"{frequency_words(notch.frequency_hz):>9}  Q {notch.q:.1f}  -{notch.depth_db:g} dB"
        for notch in found.notches
    ]


def wrapped(text: str, indent: str = "") -> list[str]:
    """Return a text of any length in lines of at most 80 columns, safe on a terminal."""
    lines = [""]
    for word in printable(text).split():
        for piece in chop_cells(word, WIDTH - cell_len(indent)):
            longer = f"{lines[-1]} {piece}" if lines[-1].strip() else lines[-1] + piece
            if cell_len(longer) <= WIDTH:
                lines[-1] = longer
            else:
                lines.append(indent + piece)
    return lines


def joined_lines(*parts: Sequence[str]) -> list[str]:
    """Return blocks of lines with an empty line between them; empty blocks are left out."""
    lines: list[str] = []
    for part in parts:
        lines += ([""] if lines and part else []) + list(part)
    return lines


def _octaves(moved: MovedRing) -> float:
    return math.log2(moved.frequency_hz / moved.ring.frequency_hz)


def _crossing(moved: MovedRing) -> str:
    return (
        f"  {frequency_words(moved.ring.frequency_hz)} is about "
        f"{frequency_words(moved.frequency_hz)}: from {band_words(moved.was_in_hz)} to "
        f"{band_words(moved.band_hz)}"
    )
