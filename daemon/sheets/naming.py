"""The file names of sheets: made of monitor, mic and mix, readable, safe on every file system."""

import re
import unicodedata

from prehowl.daemon.errors import SheetError
from prehowl.daemon.sheets.sheet import Sheet

FILE = re.compile(r"^(?P<name>[^/\\\0]+)\.v(?P<version>[1-9][0-9]{0,5})\.toml$")
BYTES_MOST = 200
"""File systems allow 255 bytes; version, suffix and the mark of a file in the making need some."""
BETWEEN = "--"


def sheet_name(sheet: Sheet) -> str:
    """Return the name of a sheet: monitor, mic and mix as one word each, `wedge-12--vocal--mix-1`.

    Letters and digits of any script stay, in lower case; all else becomes a dash.

    Raises
    ------
    SheetError
        If one of them has no letter or digit, or all together are too long for a file name.
    """
    parts = [
        _word(text, key)
        for key, text in (("monitor", sheet.monitor), ("mic", sheet.mic), ("mix", sheet.mix))
    ]
    name = BETWEEN.join(parts)
    if len(name.encode()) > BYTES_MOST:
        raise SheetError(f"sheet {sheet.title!r}: too long for a file name; shorten its names")
    return name


def file_name(name: str, version: int) -> str:
    """Return the file name of one version."""
    return f"{name}.v{version}.toml"


def parse_file_name(text: str) -> tuple[str, int] | None:
    """Return name and version of a sheet's file, None where it is none."""
    match = FILE.match(unicodedata.normalize("NFKC", text))
    return (match["name"], int(match["version"])) if match else None


def plain_text(text: str) -> str:
    """Return a text in one form where several look alike: case, width, accents in two marks."""
    return unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", text).casefold())


def _word(text: str, key: str) -> str:
    letters = "".join(c if c.isalnum() else "-" for c in plain_text(text))
    word = re.sub(r"-+", "-", letters).strip("-")
    if not word:
        raise SheetError(f"sheet: {key} {text!r} needs a letter or digit, to be a file name")
    return word
