"""Parsers whose every refusal is one line, and whose help fits the terminal.

argparse by itself prints the usage over several lines before a fault, leaves running text at the
width that it was typed in, and calls a mistyped option only "unrecognized".
"""

import argparse
import difflib
import re
import shutil
import textwrap
from collections.abc import Sequence
from typing import Any, NoReturn

from prehowl.daemon.errors import UsageError

NARROWEST, WIDEST = 40, 100
"""Columns of help: longer lines lose the eye, shorter ones tear the options' own column apart."""


class CommandParser(argparse.ArgumentParser):
    """A parser of one command; its sub-parsers are of the same kind.

    Parameters
    ----------
    prog : str
        The words that lead here, such as 'prehowl scan'.
    text : str
        What the command does: paragraphs, filled to the terminal's width; a line that begins with
        spaces stays a line of its own.
    example : str
        One command line, never broken, so that it can be copied.
    """

    def __init__(self, prog: str, *, text: str, example: str, **kwargs: Any) -> None:
        width = help_width()
        super().__init__(
            prog=prog,
            description=filled(text, width),
            epilog=f"example: {example}",
            formatter_class=lambda prog: argparse.RawDescriptionHelpFormatter(prog, width=width),
            **kwargs,
        )

    def parse_known_args(  # type: ignore[override]  # the base is overloaded for own namespaces
        self, args: Sequence[str] | None = None, namespace: argparse.Namespace | None = None
    ) -> tuple[argparse.Namespace, list[str]]:
        """Parse, and refuse what is not known here, where the nearest option can be named."""
        found, unknown = super().parse_known_args(args, namespace)
        if unknown:
            self.error(self._unknown(unknown[0]))
        return found, []

    def error(self, message: str) -> NoReturn:
        """Raise the fault as one line that ends with where to look.

        Raises
        ------
        UsageError
            Always.
        """
        said = " ".join(message.removeprefix("argument ").split())
        raise UsageError(f"{said}. `{self.prog} --help` shows what it takes")

    def _unknown(self, word: str) -> str:
        if not word.startswith("-"):
            return f"{word!r} is one word too many"
        name = word.partition("=")[0]
        known = set(re.findall(r"(?<![\w-])--?\w[\w-]*", self.format_help()))
        near = difflib.get_close_matches(name, known, n=1)
        return f"unknown option {name!r}" + (f", the nearest is {near[0]!r}" if near else "")


def real_number(text: str) -> float:
    """Return the number that an option was given.

    Raises
    ------
    argparse.ArgumentTypeError
        If it is none.
    """
    try:
        return float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no number") from None


def whole_number(text: str) -> int:
    """Return the whole number that an option was given.

    Raises
    ------
    argparse.ArgumentTypeError
        If it is none.
    """
    try:
        return int(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no whole number") from None


def help_width() -> int:
    """Return the columns that help may take: the terminal's, within sensible limits."""
    return min(max(shutil.get_terminal_size().columns, NARROWEST), WIDEST) - 2


def filled(text: str, width: int) -> str:
    """Return paragraphs filled to a width, indented lines each by itself with a hanging indent."""
    return "\n".join(line for part in _parts(text) for line in _wrapped(part, width))


def _parts(text: str) -> list[str]:
    """Return what is filled as one: a paragraph's lines joined, or one indented line."""
    parts: list[str] = []
    may_join = False
    for line in text.splitlines():
        is_plain = bool(line) and not line.startswith(" ")
        if is_plain and may_join:
            parts[-1] += " " + line
        else:
            parts.append(line)
        may_join = is_plain
    return parts


def _wrapped(part: str, width: int) -> list[str]:
    indent = " " * (len(part) - len(part.lstrip()))
    hanging = 2 * indent
    return textwrap.wrap(
        part.strip(),
        width,
        initial_indent=indent,
        subsequent_indent=hanging,
        break_long_words=False,
        break_on_hyphens=False,
    ) or [""]
