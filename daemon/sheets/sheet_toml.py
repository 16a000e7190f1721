"""A sheet as TOML text: written so that a person reads it, read so that nothing is guessed.

The faders come last: they are all required, so a file that was cut short anywhere is found out.
"""

import json
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import fields
from datetime import datetime
from typing import Any

from prehowl.daemon.errors import SheetError
from prehowl.daemon.sheets.sheet import FORMAT, HIGHEST_DB, LOWEST_DB, Sheet
from prehowl.daemon.show.reader import Findings, read_table
from prehowl.detectors.bands import NOMINAL_HZ, band_label

HEAD = "# A prehowl sheet: one graphic-EQ setting with its story. Keys: docs/sheets.md\n"
LABELS = tuple(band_label(nominal) for nominal in NOMINAL_HZ)
TABLES = ("rings", "history")
MOST_TOLD = 4
"""Faults in one message: a file cut short lacks thirty faders."""


def toml_text(sheet: Sheet) -> str:
    """Return the sheet as a TOML file; `sheet_from_toml` gives the same sheet back."""
    lines = [HEAD]
    lines += _pairs(sheet, [f.name for f in fields(sheet) if f.name not in (*TABLES, "faders_db")])
    for table in TABLES:
        for row in getattr(sheet, table):
            lines += [f"\n[[{table}]]\n", *_pairs(row, [f.name for f in fields(row)])]
    lines.append("\n[faders_db]\n")
    lines += [
        f"{json.dumps(label):<10} = {_value(gain):>5}\n"
        for label, gain in zip(LABELS, sheet.faders_db, strict=True)
    ]
    return "".join(lines)


def sheet_from_toml(text: str, where: str) -> Sheet:
    """Return the sheet that a TOML text describes.

    Parameters
    ----------
    text : str
    where : str
        Its file, for messages.

    Raises
    ------
    SheetError
        If it is no TOML, was cut short, comes from a newer prehowl, or with all faults of its
        keys at once.
    """
    try:
        raw = tomllib.loads(text)
    except (ValueError, RecursionError) as fault:
        raise SheetError(
            f"sheet {where}: not valid TOML ({fault}). Half written? Take an earlier version"
        ) from None
    if not text.endswith("\n"):
        raise SheetError(
            f"sheet {where}: ends in the middle of a line. Half written? Take an earlier version; "
            "or end its last line if nothing is missing"
        )
    return sheet_from_mapping(raw, where)


def sheet_from_mapping(raw: Mapping[str, Any], where: str) -> Sheet:
    """Return the sheet that nested mappings describe, faders by their names.

    Raises
    ------
    SheetError
        If it comes from a newer prehowl, or with all faults of its keys at once.
    """
    _refuse_newer(raw, where)
    findings = Findings()
    plain = {key: value for key, value in raw.items() if key != "faders_db"}
    plain["faders_db"] = _faders(raw.get("faders_db"), findings)
    sheet: Sheet = read_table(Sheet, plain, "", findings)
    faults = findings.faults or list(_faults_between(sheet))
    if faults:
        raise SheetError(_report(where, faults))
    return sheet


def sheet_record(sheet: Sheet) -> dict[str, Any]:
    """Return the sheet as plain JSON types; `sheet_from_mapping` gives the same sheet back."""
    plain = {f.name: getattr(sheet, f.name) for f in fields(sheet)}
    for table in TABLES:
        plain[table] = [
            {f.name: getattr(row, f.name) for f in fields(row)} for row in getattr(sheet, table)
        ]
    plain["faders_db"] = dict(zip(LABELS, sheet.faders_db, strict=True))
    return {key: value for key, value in plain.items() if value is not None}


def _pairs(table: Any, names: list[str]) -> list[str]:
    values = ((name, getattr(table, name)) for name in names)
    return [f"{name} = {_value(value)}\n" for name, value in values if value not in (None, "")]


def _value(value: Any) -> str:
    if isinstance(value, str):
        # A JSON string of printable characters is a TOML basic string as well.
        return json.dumps(value, ensure_ascii=False)
    return repr(int(value) if isinstance(value, int) else float(value))  # also of numpy's numbers


def _refuse_newer(raw: Mapping[str, Any], where: str) -> None:
    told = raw.get("format", FORMAT)
    if isinstance(told, int) and told > FORMAT:
        raise SheetError(
            f"sheet {where}: written by a newer prehowl (format {told}, this one reads up to "
            f"{FORMAT}). Update prehowl; the file was left alone"
        )


def _faders(raw: Any, findings: Findings) -> list[float]:
    """Return 31 positions; what is missing or wrong is noted, with the fader's name."""
    if not isinstance(raw, Mapping):
        what = "is missing" if raw is None else "must be a table [faders_db]"
        findings.fault("faders_db", f"{what}; it holds the 31 faders by name")
        return [0.0] * len(LABELS)
    for label in raw:
        if label not in LABELS:
            findings.fault(f"faders_db.{label}", f"no such fader. There are: {', '.join(LABELS)}")
    return [_fader(label, raw, findings) for label in LABELS]


def _fader(label: str, raw: Mapping[str, Any], findings: Findings) -> float:
    value = raw.get(label)
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    if is_number and LOWEST_DB <= (gain := float(value or 0)) <= HIGHEST_DB:
        return gain
    found = "is missing" if value is None else f"is {value!r}"
    findings.fault(
        f"faders_db.{label}", f"{found}; must be a number from {LOWEST_DB:g} to {HIGHEST_DB:g} dB"
    )
    return 0.0


def _faults_between(sheet: Sheet) -> Iterator[tuple[str, str]]:
    if sheet.fader_cap_db < sheet.fader_step_db:
        yield "fader_cap_db", f"is {sheet.fader_cap_db:g}; must be at least a fader step"
    moments = [("made_at", sheet.made_at)]
    moments += [(f"rings[{n}].at", ring.at) for n, ring in enumerate(sheet.rings, 1)]
    for path, at in moments:
        if at and not is_moment(at):
            yield path, f"is {at!r}; must be a date and time such as 2026-07-04T14:30:00+02:00"
    for n, line in enumerate(sheet.history, 1):
        if not is_moment(line.at):
            yield f"history[{n}].at", f"is {line.at!r}; must be a date and time"
    for n, ring in enumerate(sheet.rings, 1):
        if ring.band_hz not in NOMINAL_HZ:
            yield f"rings[{n}].band_hz", f"is {ring.band_hz:g}; no nominal band of ISO 266"


def is_moment(text: str) -> bool:
    """Tell whether a text is an ISO 8601 date, with or without a time."""
    try:
        datetime.fromisoformat(text)
    except ValueError:
        return False
    return True


def _report(where: str, faults: list[tuple[str, str]]) -> str:
    shown = "; ".join(f"{path} {text}" for path, text in faults[:MOST_TOLD])
    more = f"; and {len(faults) - MOST_TOLD} more" if len(faults) > MOST_TOLD else ""
    return f"sheet {where}: {shown}{more}"
