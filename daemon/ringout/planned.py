"""What is to be rung out and by which rules: from options, a sheet to begin with, the show file.

Owns which of them counts: what the command line says, then the sheet, then the show file.
"""

import argparse
import shlex
from dataclasses import replace
from typing import Any

from prehowl.daemon.errors import SheetError, UsageError
from prehowl.daemon.ringout.state import Plan, Tap
from prehowl.daemon.sheets.sheet import Sheet
from prehowl.daemon.sheets.store import Store, default_folder
from prehowl.daemon.show import Show
from prehowl.daemon.sinks.words import band_words
from prehowl.detectors.bands import NOMINAL_HZ
from prehowl.detectors.graphic_eq import EqKind


def plan_of(args: argparse.Namespace, show: Show, store: Store, channel: int) -> Plan:
    """Return the plan of a new ring-out.

    Parameters
    ----------
    args : argparse.Namespace
        Of `arguments.add_arguments`, contradictions refused.
    show : Show
    store : Store
        Where the sheet to begin with is looked for.
    channel : int
        Number of the channel, from 1.

    Raises
    ------
    SheetError
        If the sheet to begin with cannot be had, or boosts a band.
    UsageError
        If no fader could move a step.
    """
    plan = Plan(
        mix=args.mix,
        monitor=args.monitor,
        microphone=args.mic,
        place=args.place,
        channel=channel,
        tap=Tap(args.tap),
        step_db=show.advice.fader_step_db,
    )
    if "stage.temperature_c" in show.origins:
        plan = replace(plan, temperature_c=show.stage.temperature_c)
    if args.from_sheet is not None:
        plan = replace(plan, **_of_sheet(store, args.from_sheet))
    plan = replace(plan, **_of_options(args))
    if plan.cap_db < plan.step_db:
        raise UsageError(
            f"a cap of {plan.cap_db:g} dB with steps of {plan.step_db:g} dB: no fader could move; "
            "--cap must be a --step at least"
        )
    return plan


def _of_options(args: argparse.Namespace) -> dict[str, Any]:
    told = {
        "step_db": args.step,
        "cap_db": args.cap,
        "pull_db": args.pull,
        "again_db": args.again,
        "enough_db": args.enough,
        "send_back_db": args.send_back,
        "temperature_c": args.temperature,
        "eq_kind": None if args.eq is None else EqKind(args.eq),
    }
    return {name: value for name, value in told.items() if value is not None}


def _of_sheet(store: Store, words: str) -> dict[str, Any]:
    """Return what a sheet says of the equaliser and its faders; its story is of another day."""
    name, number = store.find(words)
    sheet = store.load(name, number)
    _refuse_boosts(store, name if number is None else f"{name}@{number}", sheet)
    return {
        "step_db": sheet.fader_step_db,
        "cap_db": sheet.fader_cap_db,
        "eq_kind": sheet.kind,
        "desk_rate_hz": sheet.rate_hz,
        "start_db": tuple(-gain + 0.0 for gain in sheet.faders_db),
    }


def _refuse_boosts(store: Store, name: str, sheet: Sheet) -> None:
    """Raise SheetError where a fader is up: instructions are cuts from flat, and never boosts."""
    up = [(NOMINAL_HZ[at], gain) for at, gain in enumerate(sheet.faders_db) if gain > 0]
    if not up:
        return
    told = ", ".join(f"{band_words(band)} at +{gain:g} dB" for band, gain in up)
    flat = [word for band, _ in up for word in (f"{band:g}", "0")]
    folder = [] if store.folder == default_folder() else ["--folder", str(store.folder)]
    command = shlex.join(["prehowl", "sheets", "edit", name, *flat, *folder])
    raise SheetError(
        f"sheet {name}: boosted, {told}; a ring-out counts cuts from flat. Put them to 0, here "
        f"and on the desk: {command}"
    )
