"""Sheets as CSV and JSON, for spreadsheets and scripts. What goes out comes back in whole.

CSV has six columns: `record, key, value, band_hz, frequency_hz, at`, and four kinds of rows,
told by `record`: `sheet` (one a key), `fader` (31), `ring` (in order) and `history`.
"""

import csv
import io
import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from prehowl.daemon.errors import SheetError
from prehowl.daemon.sheets.sheet import Sheet
from prehowl.daemon.sheets.sheet_toml import (
    LABELS,
    sheet_from_mapping,
    sheet_from_toml,
    sheet_record,
)
from prehowl.daemon.show.keys import slots_of
from prehowl.detectors.bands import NOMINAL_HZ

COLUMNS = ("record", "key", "value", "band_hz", "frequency_hz", "at")


def json_text(sheet: Sheet) -> str:
    """Return the sheet as one JSON object, its keys those of the TOML file."""
    return json.dumps(sheet_record(sheet), ensure_ascii=False, allow_nan=False, indent=1) + "\n"


def csv_text(sheet: Sheet) -> str:
    """Return the sheet as CSV with a header line (RFC 4180, but lines end with LF)."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(COLUMNS)
    plain = sheet_record(sheet)
    for key, value in plain.items():
        if key not in ("rings", "history", "faders_db"):
            writer.writerow(("sheet", key, value, "", "", ""))
    for hz, gain in zip(NOMINAL_HZ, sheet.faders_db, strict=True):
        writer.writerow(("fader", "", gain, f"{hz:g}" if hz < 1000 else int(hz), "", ""))
    for order, ring in enumerate(sheet.rings, 1):
        row = (ring.cut_db, ring.band_hz, ring.frequency_hz, ring.at)
        writer.writerow(("ring", order, *row))
    for order, line in enumerate(sheet.history, 1):
        writer.writerow(("history", order, line.what, "", "", line.at))
    return stream.getvalue()


def sheet_from_text(text: str, path: Path) -> Sheet:
    """Return the sheet in a text, read as its file's suffix says: .toml, .json or .csv.

    Raises
    ------
    SheetError
        If the suffix is another one, or the text is no sheet.
    """
    readers: dict[str, Callable[[str, str], Sheet]] = {
        ".toml": sheet_from_toml,
        ".json": _from_json,
        ".csv": _from_csv,
    }
    reader = readers.get(path.suffix.lower())
    if reader is None:
        raise SheetError(f"sheet {path}: must end in {', '.join(readers)}, so that it is clear")
    return reader(text, str(path))


def _from_json(text: str, where: str) -> Sheet:
    try:
        raw = json.loads(text)
    except (ValueError, RecursionError) as fault:
        raise SheetError(f"sheet {where}: not valid JSON ({fault})") from None
    if not isinstance(raw, Mapping):
        raise SheetError(f"sheet {where}: must be one JSON object, as `export` writes it")
    return sheet_from_mapping(raw, where)


def _from_csv(text: str, where: str) -> Sheet:
    rows = csv.DictReader(io.StringIO(text))
    if tuple(rows.fieldnames or ()) != COLUMNS:
        raise SheetError(f"sheet {where}: the first line must be {','.join(COLUMNS)}")
    raw: dict[str, Any] = {"faders_db": {}, "rings": [], "history": []}
    takers = {"sheet": _take_key, "fader": _take_fader, "ring": _take_ring, "history": _take_line}
    for row in rows:
        taker = takers.get(row["record"])
        if taker is None or None in row or None in row.values():
            wanted = f"{len(COLUMNS)} columns, the first one of {', '.join(takers)}"
            raise SheetError(f"sheet {where}, line {rows.line_num}: must have {wanted}")
        try:
            taker(raw, row)
        except ValueError as fault:
            raise SheetError(f"sheet {where}, line {rows.line_num}: {fault}") from None
    return sheet_from_mapping(raw, where)


def _take_key(raw: dict[str, Any], row: Mapping[str, str]) -> None:
    slot = slots_of(Sheet).get(row["key"])
    if slot is None or slot.many:
        raise ValueError(f"unknown key {row['key']!r}")
    if row["key"] in raw:
        raise ValueError(f"key {row['key']!r} comes twice")
    raw[row["key"]] = row["value"] if str in slot.kinds else _number(row["value"], slot.kinds)


def _take_fader(raw: dict[str, Any], row: Mapping[str, str]) -> None:
    hz = _number(row["band_hz"], (float,))
    if hz not in NOMINAL_HZ:
        raise ValueError(f"{row['band_hz']!r} is no nominal band of ISO 266")
    label = LABELS[NOMINAL_HZ.index(hz)]
    if label in raw["faders_db"]:
        raise ValueError(f"fader {label} comes twice")
    raw["faders_db"][label] = _number(row["value"], (float,))


def _take_ring(raw: dict[str, Any], row: Mapping[str, str]) -> None:
    figures = {
        "cut_db": row["value"],
        "band_hz": row["band_hz"],
        "frequency_hz": row["frequency_hz"],
    }
    raw["rings"].append(
        {key: _number(text, (float,)) for key, text in figures.items()} | {"at": row["at"]}
    )


def _take_line(raw: dict[str, Any], row: Mapping[str, str]) -> None:
    raw["history"].append({"at": row["at"], "what": row["value"]})


def _number(text: str, kinds: tuple[type, ...]) -> float:
    try:
        return int(text) if int in kinds and float not in kinds else float(text)
    except ValueError:
        raise ValueError(f"{text!r} is no number") from None
