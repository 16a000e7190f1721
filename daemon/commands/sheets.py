"""`prehowl sheets`: the EQ settings that were rung out, kept with their story."""

import argparse
import json
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

from prehowl.daemon.ascii_wish import wants_ascii
from prehowl.daemon.command_line import CommandParser
from prehowl.daemon.errors import OK, UsageError
from prehowl.daemon.output import open_output
from prehowl.daemon.sheets import wording
from prehowl.daemon.sheets.arguments import FILES, NAMES, VALUES, add_actions
from prehowl.daemon.sheets.chart import ASCII, UNICODE, Marks, overlay_chart, sheet_chart
from prehowl.daemon.sheets.edit import change_words, parse_moves, with_moves, with_values
from prehowl.daemon.sheets.effect import sheet_loss
from prehowl.daemon.sheets.exchange import csv_text, json_text, sheet_from_text
from prehowl.daemon.sheets.in_show import folder_of
from prehowl.daemon.sheets.naming import sheet_name
from prehowl.daemon.sheets.sheet import Sheet
from prehowl.daemon.sheets.sheet_toml import sheet_record, toml_text
from prehowl.daemon.sheets.store import Store, default_folder, read_text
from prehowl.daemon.show import load_show
from prehowl.daemon.sinks.words import printable
from prehowl.detectors.parametric_eq import MOST_NOTCHES

HELP = """Keep graphic-EQ settings with their story: one TOML file for each version of each sheet,
none ever overwritten. A sheet bears the names of monitor, mic and mix.

SHEET is its name as `list` prints it, or words of it that fit no other; SHEET@2 is its version 2;
a path to a .toml, .json or .csv file means the sheet in that file.

FADER is a band as one says it: 63, 250, 2.5k, 2k5, 31, "just below 2k". DB is where the fader
stands: 0 is flat, -3 is a cut of 3 dB. Pairs of both come before any option.

docs/sheets.md explains file, columns and every word printed."""

EXAMPLE = 'prehowl sheets edit "wedge vocal 1" 2.5k -3 63 -2'

WRITERS: dict[str, Callable[[Sheet], str]] = {
    "csv": csv_text,
    "json": json_text,
    "toml": toml_text,
}


def add_arguments(parser: CommandParser) -> None:
    """Declare what can be done with sheets."""
    add_actions(parser, tuple(WRITERS))


def run(args: argparse.Namespace) -> int:
    """Do what was asked with the sheets of one folder."""
    store = Store(_folder(args))
    lines = ACTIONS[args.action](args, store)
    output = args.output if args.action == "export" else None
    with open_output(output, inputs=[] if output is None else _read_files(args, store)):
        for line in lines:
            print(line)
    return OK


def _read_files(args: argparse.Namespace, store: Store) -> Sequence[str]:
    """Return the files that an export must leave alone: every version kept, the file it reads."""
    given = [args.sheet] if _is_file(args.sheet) else []
    return [*map(str, store.paths()), *given]


def _folder(args: argparse.Namespace) -> Path:
    if args.folder is not None:
        return Path(args.folder)
    return default_folder() if args.show is None else folder_of(load_show(args.show))


def _list(args: argparse.Namespace, store: Store) -> Sequence[str]:
    listing = store.listing()
    for fault in listing.faults:
        _say(fault)
    if args.format == "json":
        return [
            json.dumps(
                {
                    "type": "sheets",
                    "folder": str(store.folder),
                    "sheets": [{"name": name, **sheet_record(s)} for name, s in listing.sheets],
                    "faults": listing.faults,
                },
                ensure_ascii=False,
                allow_nan=False,
                indent=1,
            )
        ]
    if not listing.sheets:
        _say(f"no sheets in {store.folder}; `prehowl ringout` and `prehowl sheets new` make them")
    return [line for name, sheet in listing.sheets for line in _list_lines(name, sheet)]


def _list_lines(name: str, sheet: Sheet) -> Sequence[str]:
    when = wording.moment_words(sheet.made_at) or "date not noted"
    cuts = sum(gain < 0 for gain in sheet.faders_db)
    loss = sheet_loss(sheet).pink_db
    story = f"version {sheet.version}, {when}, {cuts} cuts, pink noise -{loss:.1f} dB"
    return [name, f"    {printable(sheet.title)}", f"    {story}"]


def _show(args: argparse.Namespace, store: Store) -> Sequence[str]:
    sheet = _load(store, args.sheet)
    if args.notches is not None and not 1 <= args.notches <= MOST_NOTCHES:
        raise UsageError(f"--notches {args.notches}: must be 1 to {MOST_NOTCHES}")
    if args.temperature is not None and not -20 <= args.temperature <= 55:
        raise UsageError(f"--temperature {args.temperature:g}: must be -20 to 55 °C")
    air = [] if args.temperature is None else wording.temperature_lines(sheet, args.temperature)
    told = [*wording.wrapped(wording.faders_line(sheet), "    "), wording.loss_line(sheet)]
    gain = [wording.gain_line(sheet)] if wording.gain_line(sheet) else []
    note = wording.wrapped(f"note: {sheet.note}", "    ") if sheet.note else []
    return wording.joined_lines(
        wording.head_lines(sheet),
        sheet_chart(sheet, _marks()),
        [*told, *gain, *note],
        [] if args.notches is None else wording.notch_lines(sheet, args.notches),
        wording.ring_lines(sheet),
        air,
        wording.history_lines(sheet),
    )


def _new(args: argparse.Namespace, store: Store) -> Sequence[str]:
    now = _now()
    empty = Sheet(args.monitor, args.mic, args.mix, made_at=now)
    valued = with_values(empty, _values(args))
    store.check(valued)
    sheet = with_moves(valued, parse_moves(args.moves))
    if store.versions(sheet_name(sheet)):
        raise UsageError(f"sheet {sheet_name(sheet)!r} is there already; use `edit`")
    return [_kept(store, store.save(sheet, "set by hand", now))]


def _edit(args: argparse.Namespace, store: Store) -> Sequence[str]:
    name, version = store.find(args.sheet)
    before = store.load(name, version)
    values = _values(args)
    valued = with_values(before, values)
    store.check(valued)
    after = with_moves(valued, parse_moves(args.moves))
    changes = [] if version is None else [f"back to version {version}"]
    changes += [change_words(before, after, list(values))]
    what = ", ".join(filter(None, changes))
    if version is None and after == before:
        raise UsageError(f"sheet {name!r}: nothing to change; give FADER DB pairs or an option")
    return [_kept(store, store.save(after, what, _now())), what]


def _copy(args: argparse.Namespace, store: Store) -> Sequence[str]:
    sheet = _load(store, args.sheet)
    copies = [replace(sheet, mix=mix) for mix in dict.fromkeys(args.to)]
    store.check_all(copies)  # all of them or none
    for copy in copies:
        if sheet_name(copy) == sheet_name(sheet):
            raise UsageError(f"--to {copy.mix!r}: that is the mix it comes from")
    what = f"copied from {sheet.title}, version {sheet.version}"
    return [_kept(store, store.save(copy, what, _now())) for copy in copies]


def _compare(args: argparse.Namespace, store: Store) -> Sequence[str]:
    first, second = _load(store, args.sheet), _load(store, args.other)
    heads = [
        line
        for word, sheet in (("first", first), ("second", second))
        for line in wording.wrapped(
            f"{word}: {sheet.title}, version {sheet.version}; {wording.loss_line(sheet)}",
            "    ",
        )
    ]
    then, now = first.temperature_c, second.temperature_c
    return wording.joined_lines(
        heads,
        overlay_chart(first, second, _marks()),
        wording.compare_lines(first, second),
        [] if None in (then, now) or then == now else wording.temperature_lines(first, now or 0),
    )


def _export(args: argparse.Namespace, store: Store) -> Sequence[str]:
    return [WRITERS[args.format](_load(store, args.sheet)).removesuffix("\n")]


def _import(args: argparse.Namespace, store: Store) -> Sequence[str]:
    told = {key: getattr(args, key) for key in NAMES}
    sheets = []
    for file in map(Path, args.files):
        sheet = with_values(sheet_from_text(read_text(file), file), told)
        sheets.append((file, sheet))
    store.check_all([sheet for _, sheet in sheets])  # all of them or none
    return [
        _kept(store, store.save(sheet, f"imported from {printable(file.name)}", _now()))
        for file, sheet in sheets
    ]


def _print(args: argparse.Namespace, store: Store) -> Sequence[str]:
    # Imported here: it needs a library that nothing else does.
    from prehowl.daemon.sheets.page import print_page

    print_page(_load(store, args.sheet), Path(args.output))
    return [f"page: {args.output}"]


ACTIONS: dict[str, Callable[[argparse.Namespace, Store], Sequence[str]]] = {
    "list": _list,
    "show": _show,
    "new": _new,
    "edit": _edit,
    "copy": _copy,
    "compare": _compare,
    "export": _export,
    "import": _import,
    "print": _print,
}


def _load(store: Store, words: str) -> Sheet:
    if _is_file(words):
        return sheet_from_text(read_text(Path(words)), Path(words))
    return store.load(*store.find(words))


def _is_file(words: str) -> bool:
    return Path(words).suffix.lower() in FILES


def _values(args: argparse.Namespace) -> dict[str, Any]:
    told = {key: getattr(args, key) for key in (*VALUES, "eq")}
    return {key: value for key, value in told.items() if value is not None}


def _kept(store: Store, sheet: Sheet) -> str:
    return f"kept as {sheet_name(sheet)}, version {sheet.version}"


def _marks() -> Marks:
    if wants_ascii():
        return ASCII
    try:
        "".join((UNICODE.full, UNICODE.shade, UNICODE.line)).encode(sys.stdout.encoding or "ascii")
    except UnicodeEncodeError:
        return ASCII
    return UNICODE


def _now() -> str:
    return datetime.now().astimezone().isoformat(timespec="seconds")


def _say(text: str) -> None:
    print(f"prehowl: {printable(text)}", file=sys.stderr)
