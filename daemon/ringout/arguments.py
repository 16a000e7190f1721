"""What `prehowl ringout` takes on its command line."""

import argparse
import math

from prehowl.daemon.command_line import real_number, whole_number
from prehowl.daemon.errors import UsageError
from prehowl.daemon.ringout.practice import MICROPHONES, ROOMS, WEDGES
from prehowl.daemon.ringout.state import Tap
from prehowl.daemon.show.tables import THEMES
from prehowl.detectors.graphic_eq import EqKind

LIMITS = {
    "step": (0.1, 3.0),
    "cap": (1.0, 24.0),
    "pull": (0.5, 6.0),
    "again": (0.5, 6.0),
    "enough": (1.0, 30.0),
    "send_back": (0.0, 20.0),
    "temperature": (-20.0, 55.0),
    "seconds": (1.0, 86400.0),
}
"""Of the options of the same name."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    _add_names(parser)
    _add_source(parser)
    _add_rules(parser)
    parser.add_argument("--resume", nargs="?", const="", metavar="JOURNAL", help="go on with it")
    parser.add_argument(
        "--verify", metavar="SHEET", help="check a kept sheet in place of a new one"
    )
    parser.add_argument("--journal", metavar="FILE", help="where each step is kept; default: data")
    parser.add_argument(
        "--folder", metavar="DIR", help="of the sheets; default: the show file's, the data's"
    )
    parser.add_argument("--headless", action="store_true", help="no screen: lines on stderr")
    parser.add_argument("--format", choices=("text", "json"), default="text", help="of the result")
    parser.add_argument("--theme", choices=THEMES, help="of the screen")
    parser.add_argument("--osc", metavar="HOST:PORT", action="append", default=[], help="labels to")
    parser.add_argument("--osc-in", metavar="[HOST:]PORT", help="take answers from a tablet")
    parser.add_argument("--show", metavar="SHOWFILE", help="show file (TOML)")
    parser.add_argument("--yes", action="store_true", help="the cautions are read")


def _add_names(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--mix", default="", help="name of the mix that feeds the wedge")
    parser.add_argument("--monitor", default="", help="model of the wedge")
    parser.add_argument("--mic", default="", help="type of the microphone")
    parser.add_argument("--place", default="", help="where this is")
    parser.add_argument("--temperature", type=real_number, metavar="C", help="of the air")


def _add_source(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--device", metavar="NAME", help="number or words, as in `prehowl devices`")
    parser.add_argument("--rate", metavar="HZ", type=whole_number, help="of the device")
    parser.add_argument(
        "--channel", metavar="N", type=whole_number, default=1, help="input; default 1"
    )
    parser.add_argument(
        "--tap", choices=[str(tap) for tap in Tap], default="mix", help="what arrives there"
    )
    parser.add_argument("--recording", metavar="FILE", help="a recorded ring-out")
    parser.add_argument("--virtual", action="store_true", help="practise; needs no hardware")
    parser.add_argument("--auto", action="store_true", help="with --virtual: it plays by itself")
    parser.add_argument("--seed", type=whole_number, metavar="N", help="of the virtual stage")
    parser.add_argument("--virtual-wedge", choices=tuple(WEDGES))
    patterns = tuple(MICROPHONES)
    parser.add_argument(
        "--virtual-mic", choices=patterns, metavar="PATTERN", help=f"one of {', '.join(patterns)}"
    )
    parser.add_argument("--virtual-room", choices=tuple(ROOMS))
    parser.add_argument("--pace", choices=("real", "fast"), help="default: real if a person acts")
    parser.add_argument("--seconds", type=real_number, metavar="N", help="of --verify; default 60")


def _add_rules(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--eq", choices=[str(kind) for kind in EqKind], help="default constant-q")
    parser.add_argument("--step", type=real_number, metavar="DB", help="of the faders; default 0.5")
    parser.add_argument("--cap", type=real_number, metavar="DB", help="no fader lower; default 6.5")
    parser.add_argument("--pull", type=real_number, metavar="DB", help="at a new ring; default 3")
    parser.add_argument(
        "--again", type=real_number, metavar="DB", help="when it returns; default 1.5"
    )
    parser.add_argument("--enough", type=real_number, metavar="DB", help="gain won; default 10")
    parser.add_argument(
        "--send-back", type=real_number, metavar="DB", help="at the end; 6, dry 3, very live 10"
    )
    parser.add_argument(
        "--from-sheet", metavar="SHEET", help="begin with its faders, steps and cap"
    )


def refuse_contradictions(args: argparse.Namespace) -> None:
    """Raise UsageError where options exclude one another or are out of range."""
    kinds = [
        option
        for option, is_there in (
            ("--device", args.device is not None or args.rate is not None),
            ("--recording", args.recording is not None),
            ("--virtual", args.virtual),
        )
        if is_there
    ]
    if len(kinds) > 1:
        raise UsageError(f"{' and '.join(kinds)}: one source at a time")
    if args.auto and not args.virtual:
        raise UsageError("--auto has a virtual hand only; add --virtual, or leave --auto away")
    if args.resume is not None and (kinds or args.verify is not None):
        raise UsageError("--resume knows its source from the journal; leave the others away")
    if args.seed is not None and args.seed < 0:
        raise UsageError(f"--seed {args.seed}: must be 0 or above")
    if not 1 <= args.channel <= 256:
        raise UsageError(f"--channel {args.channel}: must be 1 to 256")
    for name, (low, high) in LIMITS.items():
        value = getattr(args, name)
        if value is not None and not (math.isfinite(value) and low <= value <= high):
            option = f"--{name.replace('_', '-')}"
            raise UsageError(f"{option} {value:g}: must be {low:g} to {high:g}")
