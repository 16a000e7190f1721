"""The folder of sheets: one file for each version of each sheet, none ever written twice.

What a version is called is `naming.py`, how it gets to disk `write_once.py`.
"""

import contextlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from prehowl.daemon.data_folder import data_folder
from prehowl.daemon.errors import OutputError, SheetError
from prehowl.daemon.sheets.naming import file_name, parse_file_name, plain_text, sheet_name
from prehowl.daemon.sheets.sheet import FORMAT, Change, Sheet
from prehowl.daemon.sheets.sheet_toml import (
    sheet_from_mapping,
    sheet_from_toml,
    sheet_record,
    toml_text,
)
from prehowl.daemon.sheets.write_once import probe, write_new

MOST_BYTES = 1_000_000  # a sheet with a hundred rings and changes takes about 20 kB
MOST_TRIES = 100


@dataclass(frozen=True, slots=True)
class Listing:
    """All that a folder holds: the newest readable version of each sheet, and what is wrong."""

    sheets: tuple[tuple[str, Sheet], ...]  # name, newest readable version
    faults: tuple[str, ...]


def default_folder() -> Path:
    """Return the folder for sheets in the user's data folder."""
    return data_folder() / "sheets"


class Store:
    """Sheets in one folder. The folder is made with the first sheet."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def versions(self, name: str) -> tuple[int, ...]:
        """Return the versions of a sheet that are there, oldest first, readable or not."""
        return tuple(sorted(self._files().get(name, {})))

    def names(self) -> tuple[str, ...]:
        """Return the names of all sheets, in order."""
        return tuple(sorted(self._files()))

    def load(self, name: str, version: int | None = None) -> Sheet:
        """Return one version of a sheet, the newest where none is asked for.

        Raises
        ------
        SheetError
            If it is not there or cannot be read; the message says which version can.
        """
        files = self._files().get(name)
        if not files:
            raise SheetError(f"sheet {name!r}: not in {self.folder}. `prehowl sheets list`")
        wanted = max(files) if version is None else version
        if wanted not in files:
            there = ", ".join(str(number) for number in sorted(files))
            raise SheetError(f"sheet {name!r} has no version {wanted}. There are: {there}")
        try:
            return self._read(name, wanted, files[wanted])
        except SheetError as fault:
            older = self._newest_readable(name, {n: f for n, f in files.items() if n < wanted})
            if version is None and older is not None:
                hint = f"Version {older.version} can be read: {name}@{older.version}"
                raise SheetError(f"{fault}. {hint}") from None
            raise

    def listing(self) -> Listing:
        """Return every sheet in its newest readable version, and every fault on the way."""
        sheets, faults = [], []
        for name, files in sorted(self._files().items()):
            for version in sorted(files, reverse=True):
                try:
                    sheets.append((name, self._read(name, version, files[version])))
                    break
                except SheetError as fault:
                    faults.append(str(fault))
        return Listing(tuple(sheets), tuple(faults + self._strangers()))

    def save(self, sheet: Sheet, what: str, at: str) -> Sheet:
        """Keep a sheet as a new version on top of what is there, and return it as it was kept.

        Nothing is lost: the lines of its own history and of the newest version's are both in it.

        Parameters
        ----------
        sheet : Sheet
            Its version is not looked at.
        what, at : str
            The new history line: what was done, and when (ISO 8601).

        Raises
        ------
        SheetError
            If its names make no file name, or that of a sheet with other names.
        OutputError
            If the folder cannot be written to. Then nothing has changed.
        """
        name = self.check(sheet)
        for _ in range(MOST_TRIES):
            files = self._files().get(name, {})
            before = self._newest_readable(name, files)
            lines = before.history if before else ()
            added = tuple(line for line in sheet.history if line not in lines)
            history = (*lines, *added, Change(at, what[:400]))
            version = max(files, default=0) + 1
            kept = replace(sheet, version=version, history=history, format=FORMAT)
            if write_new(self.folder, file_name(name, version), toml_text(kept)):
                return kept
        raise OutputError(f"sheets folder {self.folder}: somebody else writes to it all the time")

    def check(self, sheet: Sheet) -> str:
        """Return the name that a sheet would be kept under; ask this before hours of work go in.

        Raises
        ------
        SheetError
            If `save` would refuse the sheet.
        """
        # What cannot be read back is not written.
        sheet_from_mapping(sheet_record(sheet), "to be kept")
        name = sheet_name(sheet)
        before = self._newest_readable(name, self._files().get(name, {}))
        if before is not None and _plain(before.title) != _plain(sheet.title):
            raise SheetError(_clash(sheet.title, before.title, name))
        return name

    def check_folder(self) -> None:
        """Raise OutputError if the folder would take no sheet now; ask this before hours of work.

        Nothing is changed; the folder is not made.
        """
        probe(self.folder)

    def check_all(self, sheets: Sequence[Sheet]) -> None:
        """Ask before the first of several is saved: all of them can be kept, or none is.

        Two versions of one sheet may be among them, as in the files of another folder.

        Raises
        ------
        SheetError
            If `save` would refuse one of them, alone or after those before it.
        """
        titles: dict[str, str] = {}
        for sheet in sheets:
            title = titles.setdefault(self.check(sheet), sheet.title)
            if _plain(title) != _plain(sheet.title):
                raise SheetError(_clash(sheet.title, title, sheet_name(sheet)))

    def find(self, words: str) -> tuple[str, int | None]:
        """Return name and version that a person means: `wedge-12--vocal--mix-1`, `vocal mix 1@2`.

        An exact name wins; else every word must be part of the name, and of one name only, or a
        whole word of one name only. A number must begin a number: `mix 2` is not in `wedge-12`.

        Raises
        ------
        SheetError
            If no sheet or more than one is meant; all that match are listed.
        """
        text, version = _split_version(words)
        names = self.names()
        if text in names:
            return text, version
        parts = plain_text(text).split()
        fits = [name for name in names if parts and all(_is_in(part, name) for part in parts)]
        # `mix-1` means mix 1, although it is part of mix 10.
        whole = [name for name in fits if all(f"-{part}-" in f"-{name}-" for part in parts)]
        fits = whole if len(whole) == 1 else fits
        if len(fits) == 1:
            return fits[0], version
        if fits:
            raise SheetError(f"sheet {text!r} may be any of: {', '.join(fits)}. Say more of it")
        there = f"There are: {_some(names)}" if names else "It holds no sheet yet"
        raise SheetError(f"sheet {text!r}: not in {self.folder}. {there}")

    def _files(self) -> dict[str, dict[int, Path]]:
        found: dict[str, dict[int, Path]] = {}
        for path in self.paths():
            parsed = parse_file_name(path.name)
            if parsed:
                found.setdefault(parsed[0], {})[parsed[1]] = path
        return found

    def paths(self) -> list[Path]:
        """Return what is in the folder, sheets or not; raise SheetError if it cannot be read."""
        try:
            return sorted(self.folder.iterdir())
        except FileNotFoundError:
            return []
        except OSError as fault:
            raise SheetError(
                f"sheets folder {self.folder}: cannot be read ({fault.strerror})"
            ) from fault

    def _strangers(self) -> list[str]:
        """Tell of TOML files whose names are none of ours: a copy made by hand is not silent."""
        return [
            f"{path}: not named as a sheet; `prehowl sheets import` takes it in"
            for path in self.paths()
            if path.suffix == ".toml" and not path.name.startswith(".")
            if parse_file_name(path.name) is None
        ]

    def _read(self, name: str, version: int, path: Path) -> Sheet:
        sheet = read_file(path)
        if sheet_name(sheet) != name or sheet.version != version:
            raise SheetError(
                f"sheet {path}: the file is named otherwise than the sheet in it ({sheet.title}, "
                f"version {sheet.version}): two of one name? `prehowl sheets import` takes it in"
            )
        return sheet

    def _newest_readable(self, name: str, files: dict[int, Path]) -> Sheet | None:
        for version in sorted(files, reverse=True):
            with contextlib.suppress(SheetError):
                return self._read(name, version, files[version])
        return None


def read_file(path: Path) -> Sheet:
    """Return the sheet in a TOML file, whatever the file is called.

    Raises
    ------
    SheetError
        If it cannot be read; see `sheet_from_toml`.
    """
    return sheet_from_toml(read_text(path), str(path))


def read_text(path: Path) -> str:
    """Return a small UTF-8 file; raise SheetError, in words, if it is none."""
    try:
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
    except (OSError, ValueError) as fault:
        reason = getattr(fault, "strerror", None) or fault
        raise SheetError(f"sheet {path}: cannot be read ({reason})") from None
    if len(data) > MOST_BYTES:
        raise SheetError(f"sheet {path}: over {MOST_BYTES // 1000} kB; surely no sheet")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        raise SheetError(f"sheet {path}: not UTF-8 text (byte {fault.start})") from None


def _clash(title: str, other: str, name: str) -> str:
    return (
        f"sheet {title!r}: would have the same file name ({name}) as {other!r}. Call one "
        "otherwise; nothing was written"
    )


def _plain(title: str) -> str:
    return " ".join(title.casefold().split())


def _split_version(words: str) -> tuple[str, int | None]:
    text, mark, number = words.strip().rpartition("@")
    if not mark:
        return words.strip(), None
    if not (number.isdecimal() and int(number) > 0):
        raise SheetError(f"sheet {words!r}: a version after @ is a whole number from 1")
    return text, int(number)


def _some(names: Sequence[str]) -> str:
    shown = ", ".join(names[:8])
    return f"{shown} and {len(names) - 8} more" if len(names) > 8 else shown


def _is_in(part: str, name: str) -> bool:
    return f"-{part}" in f"-{name}" if part.isdigit() else part in name
