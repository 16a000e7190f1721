"""What `prehowl sheets` takes on its command line."""

import argparse
from collections.abc import Callable, Mapping, Sequence

from prehowl.daemon.command_line import CommandParser, real_number, whole_number
from prehowl.detectors.graphic_eq import EqKind

FILES = (".toml", ".json", ".csv")
VALUES: Mapping[str, tuple[Callable[[str], object], str, str]] = {
    "place": (str, "TEXT", "where it was rung out"),
    "temperature_c": (real_number, "C", "air temperature at the ring-out, °C"),
    "fader_step_db": (real_number, "DB", "steps of the desk's faders"),
    "fader_cap_db": (real_number, "DB", "how far down a fader may go"),
    "rate_hz": (whole_number, "HZ", "samples per second of the desk"),
    "gain_won_db": (real_number, "DB", "gain before feedback won"),
    "gain_won_uncertainty_db": (real_number, "DB", "give or take"),
    "pull_back_db": (real_number, "DB", "how far the send was pulled back"),
    "note": (str, "TEXT", "anything worth knowing"),
}
"""Values of a sheet that `new` and `edit` set: type, what it takes, help."""
OPTIONS = {
    "temperature_c": "--temperature",
    "fader_step_db": "--step",
    "fader_cap_db": "--cap",
    "rate_hz": "--rate",
    "gain_won_db": "--gain-won",
    "gain_won_uncertainty_db": "--give-or-take",
    "pull_back_db": "--pull-back",
}
"""Where the option is called otherwise than the key."""
NAMES = {"monitor": "model or place of the monitor", "mic": "type of mic", "mix": "its mix"}
NEW_EXAMPLE = 'new 2.5k -3 63 -2 --monitor "Wedge 12" --mic Vocal --mix "Mix 1"'


def add_actions(parser: CommandParser, formats: Sequence[str]) -> None:
    """Declare what can be done with sheets; `formats` are those of an export."""
    actions = parser.add_subparsers(dest="action", required=True, metavar="ACTION")

    def action(name: str, text: str, example: str) -> CommandParser:
        made = actions.add_parser(
            name,
            help=text,
            text=f"{text[0].upper()}{text[1:]}.",
            example=f"prehowl sheets {example}",
        )
        made.add_argument("--folder", metavar="PATH", help="where the sheets are")
        made.add_argument("--show", metavar="SHOWFILE", help="take the folder from a show file")
        return made

    listed = action("list", "list all sheets, newest version each", "list")
    listed.add_argument("--format", choices=("table", "json"), default="table")
    shown = action("show", "draw a sheet and tell its story", 'show "vocal 1" --temperature 31')
    shown.add_argument("sheet", metavar="SHEET")
    shown.add_argument("--temperature", metavar="C", type=real_number, help="air now: what moved?")
    shown.add_argument(
        "--notches", metavar="N", type=whole_number, help="the same in 1 to 6 notches"
    )
    made = action("new", "keep a setting that was found by ear", NEW_EXAMPLE)
    for key, text in NAMES.items():
        made.add_argument(f"--{key}", required=True, metavar="NAME", help=text)
    _add_values(made)
    edited = action("edit", "move faders, or note what was not noted", 'edit "vocal 1" 2.5k -3')
    edited.add_argument("sheet", metavar="SHEET")
    _add_values(edited)
    copied = action("copy", "the same setting for other mixes", 'copy "vocal 1" --to "Mix 2"')
    copied.add_argument("sheet", metavar="SHEET")
    copied.add_argument(
        "--to",
        metavar="MIX",
        nargs="+",
        action="extend",
        required=True,
        help="names of the mixes; may be given again",
    )
    compared = action("compare", "lay two sheets over each other", 'compare "vocal 1@1" "vocal 1"')
    compared.add_argument("sheet", metavar="SHEET")
    compared.add_argument("other", metavar="OTHER")
    sent = action("export", "write a sheet for spreadsheets and scripts", 'export "vocal 1"')
    sent.add_argument("sheet", metavar="SHEET")
    sent.add_argument("--format", choices=tuple(formats), default="json", help="default: json")
    sent.add_argument("--output", metavar="PATH", help="write there, not to stdout")
    taken = action("import", "take in sheets from files", "import wedge.csv")
    taken.add_argument("files", metavar="FILE", nargs="+", help=", ".join(FILES))
    for key, text in NAMES.items():
        taken.add_argument(f"--{key}", metavar="NAME", help=f"{text}, in place of the file's")
    printed = action("print", "one page to tape beside the desk", 'print "vocal 1" -o vocal1.pdf')
    printed.add_argument("sheet", metavar="SHEET")
    printed.add_argument("-o", "--output", metavar="PATH", required=True, help="a .pdf or .png")


def _add_values(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "moves", metavar="FADER DB", nargs="*", help="pairs such as 2.5k -3, before any option"
    )
    for key, (kind, takes, text) in VALUES.items():
        option = OPTIONS.get(key, f"--{key}")
        parser.add_argument(option, dest=key, metavar=takes, type=kind, help=text)
    parser.add_argument("--eq", choices=tuple(str(kind) for kind in EqKind))
