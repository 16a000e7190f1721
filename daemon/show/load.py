"""Read a show file from disk, or make a show without one."""

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from prehowl.daemon.errors import ShowFileError
from prehowl.daemon.show.keys import Slot, slots_of
from prehowl.daemon.show.osc_tables import OscTarget
from prehowl.daemon.show.reader import Findings, read_table
from prehowl.daemon.show.rules import Fault, faults_between
from prehowl.daemon.show.show import Show
from prehowl.daemon.show.tables import Channel, Device, Kind

MOST_BYTES = 1_000_000  # 256 channels with every key take about 60 kB
LINE_AND_COLUMN = re.compile(r"^(?P<what>.*?) \(at line (?P<line>\d+), column (?P<column>\d+)\)$")


def load_show(path: str | Path) -> Show:
    """Return the show that a file describes.

    Parameters
    ----------
    path : str or Path
        A TOML file after docs/show-file.md.

    Raises
    ------
    ShowFileError
        If it cannot be read or is no TOML, or with *all* faults of its keys at once, each with
        its path and what would be right.
    """
    where = str(path)
    if not where:
        raise ShowFileError("the name of the show file is empty; name a file, or leave --show away")
    show = read_show(_parse(_text(Path(path), where), where), where, "file")
    if not show.sheets.folder:
        return show
    folder = _beside(Path(path), show.sheets.folder, where)
    return replace(show, sheets=replace(show.sheets, folder=folder))


def read_show(raw: Mapping[str, Any], where: str, origin: str) -> Show:
    """Return the show that nested mappings describe; `where` and `origin` name their source."""
    findings = Findings(homes=_homes())
    show: Show = read_table(Show, raw, "", findings)
    faults = findings.faults + faults_between(show, findings.faults)
    if faults:
        raise ShowFileError(_report(where, faults))
    return replace(show, origins=dict.fromkeys(findings.given, origin))


def default_show(
    channels: int = 0,
    *,
    names: Sequence[str] = (),
    kinds: Sequence[Kind] = (),
    rate_hz: int | None = None,
    osc: Sequence[OscTarget] = (),
) -> Show:
    """Return a show without a file.

    Parameters
    ----------
    channels : int
        How many channels to list; 0 lists none (all are then plain mics).
    names, kinds : sequence
        Of the first channels; the rest is "Ch n" and a mic.
    rate_hz : int, optional
        Samples per second of the source.
    osc : sequence of OscTarget
        Receivers.
    """
    listed = tuple(
        Channel(
            number=i + 1,
            name=names[i] if i < len(names) else "",
            kind=str(kinds[i]) if i < len(kinds) else str(Kind.MIC),
        )
        for i in range(channels)
    )
    return Show(device=Device(rate_hz=rate_hz), channels=listed, osc=tuple(osc))


def _beside(file: Path, folder: str, where: str) -> str:
    """Return a folder as seen from the file: a show on a memory stick brings its sheets along."""
    try:
        return str(file.parent / Path(folder).expanduser())
    except RuntimeError:
        raise ShowFileError(
            f"{where}: sheets.folder is {folder!r}, but nobody of that name has a home here"
        ) from None


def _text(path: Path, where: str) -> str:
    try:
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
    except FileNotFoundError:
        raise ShowFileError(f"{where}: no such show file. Check the name and folder") from None
    except IsADirectoryError:
        raise ShowFileError(f"{where}: is a folder; name the show file inside it") from None
    except (OSError, ValueError) as fault:
        reason = getattr(fault, "strerror", None) or fault
        raise ShowFileError(f"{where}: cannot be read ({reason})") from fault
    if len(data) > MOST_BYTES:
        raise ShowFileError(f"{where}: over {MOST_BYTES // 1000} kB; surely no show file")
    try:
        return data.decode("utf-8-sig")  # some editors put a byte order mark first
    except UnicodeDecodeError as fault:
        line = data[: fault.start].count(b"\n") + 1
        raise ShowFileError(
            f"{where}, line {line}: not UTF-8 text (byte 0x{data[fault.start]:02x}). "
            "Save the file as UTF-8 in your editor"
        ) from None


def _parse(text: str, where: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise ShowFileError(f"{where}: nested too deeply; surely no show file") from None
    except ValueError as fault:
        raise ShowFileError(f"{where}, {_place(str(fault), text)}") from None


def _place(message: str, text: str) -> str:
    """Return the parser's message with line and column first."""
    match = LINE_AND_COLUMN.match(message)
    if match:
        what, line, column = match["what"], match["line"], match["column"]
        return f"line {line}, column {column}: not valid TOML: {what}"
    what = message.removesuffix(" (at end of document)")
    lines = text.split("\n")
    return f"line {len(lines)}, column {len(lines[-1]) + 1}: not valid TOML: {what} (end of file)"


def _report(where: str, faults: Sequence[Fault]) -> str:
    if len(faults) == 1:
        return f"{where}: {faults[0][0]} {faults[0][1]}"
    lines = "".join(f"\n  {path} {text}" for path, text in faults)
    return f"{where}: {len(faults)} mistakes (tables of a list count from 1):{lines}"


def _homes() -> dict[str, tuple[str, ...]]:
    """Return for each key the tables that know it, as a user writes them."""
    homes: dict[str, tuple[str, ...]] = {}
    for slot in slots_of(Show).values():
        _note_homes(slot, "", homes)
    return homes


def _note_homes(slot: Slot, above: str, homes: dict[str, tuple[str, ...]]) -> None:
    path = f"{above}{slot.name}"
    heading = f"[[{path}]]" if slot.many else f"[{path}]"
    for inner in slots_of(slot.kinds[0]).values():
        if inner.table is not None:
            _note_homes(inner, f"{path}.", homes)
        else:
            homes[inner.name] = (*homes.get(inner.name, ()), heading)
