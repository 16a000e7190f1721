"""`prehowl bench`: measure detection quality and load, on sound that anyone can have."""

import argparse
import json
import math
import os
import sys
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path

from prehowl.daemon.command_line import CommandParser, real_number, whole_number
from prehowl.daemon.errors import OK, OutputError, UsageError

HELP = """Measure how well howls are found, and what it costs.

`prehowl bench detection` runs closed-loop howls with truth by physics, and howl-free sound;
`prehowl bench load` tells what the engine costs on this machine. Each has a --help of its own."""

EXAMPLE = "prehowl bench load --channels 32 --rate 48000"

DETECTION_HELP = """Find howls whose truth is known from physics; stay silent on howl-free sound.

Prints recall before the takeover (the ring as loud as the programme), lead, frequency error, wrong
and false alarms, each with its confidence interval. Sound comes from Debian packages
(.ci/apt-packages) and from seeded makers; docs/bench.md says how.

The split `final` is only for reporting; tune on `tune`, compare on `check`."""

DETECTION_EXAMPLE = "prehowl bench detection --split tune --cases 24 --minutes 6"

LOAD_HELP = """Tell the CPU seconds for a second of audio, and the bare windowed FFT's beside it.

Close other programs first: what else runs is measured with it."""

CHANNELS = (1, 256)
RATES_HZ = (8000, 192000)


def add_arguments(parser: CommandParser) -> None:
    """Declare both benches and their options."""
    benches = parser.add_subparsers(dest="bench", required=True, metavar="{detection,load}")
    detection = benches.add_parser(
        "detection",
        help="recall, lead, errors, false alarms",
        text=DETECTION_HELP,
        example=DETECTION_EXAMPLE,
    )
    detection.add_argument(
        "--split", choices=("tune", "check", "final"), default="check", help="default: check"
    )
    detection.add_argument(
        "--cases", type=whole_number, default=80, help="closed-loop cases; default 80"
    )
    detection.add_argument(
        "--minutes",
        type=real_number,
        default=20.0,
        help="howl-free ones, 0 for none; default 20",
    )
    detection.add_argument("--seed", type=whole_number, default=1, help="another seed, other cases")
    detection.add_argument(
        "--families",
        nargs="+",
        default=[],
        metavar="NAME",
        help="only these howl-free families or groups",
    )
    detection.add_argument("--jobs", type=whole_number, default=2, help="processes; default 2")
    detection.add_argument(
        "--dump", metavar="DIR", help="write every case, its truth and its events there"
    )
    detection.add_argument("--plots", metavar="DIR", help="draw lead against growth there (PNG)")
    _add_format(detection)
    load = benches.add_parser(
        "load", help="CPU cost of the engine", text=LOAD_HELP, example=EXAMPLE
    )
    load.add_argument("--channels", type=whole_number, default=32, help="default 32")
    load.add_argument(
        "--rate", type=whole_number, default=48000, metavar="HZ", help="default 48000"
    )
    load.add_argument("--seconds", type=real_number, default=15.0, help="of audio; default 15")
    load.add_argument("--seed", type=whole_number, default=1, help="another programme")
    _add_format(load)


def _add_format(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--format", choices=("table", "json"), default="table", help="default: table"
    )
    # Accepted after the bench's name too, as `--debug` stands last in most commands.
    parser.add_argument("--debug", action="store_true", help=argparse.SUPPRESS)


def run(args: argparse.Namespace) -> int:
    """Run one of the benches."""
    if args.bench == "load":
        return _load(args)
    return _detection(args)


def _detection(args: argparse.Namespace) -> int:
    if not (args.cases >= 0 and 0 <= args.minutes < math.inf and args.cases + args.minutes > 0):
        raise UsageError("--cases and --minutes must be 0 or above and finite, and not both 0")
    if args.jobs < 1:
        raise UsageError(f"--jobs is {args.jobs}; it takes 1 or more processes")
    # Several processes with several numerical threads each would only fight for the same cores.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from prehowl.daemon.bench import dump, hearing, plots, report, summary

    _check_families(args.families, args.split)
    if args.plots is not None:
        plots.require()
    for option, folder in (("--dump", args.dump), ("--plots", args.plots)):
        _make_folder(option, folder)
    jobs = hearing.jobs_of(args.split, args.cases, args.minutes, args.seed, args.families)
    heard = hearing.hear(jobs, args.jobs, _progress())
    figures = {
        "type": "detection",
        "split": args.split,
        "seed": args.seed,
        **summary.summarise(heard),
    }
    if args.dump is not None:
        dump.write(heard, Path(args.dump))
    if args.plots is not None:
        plots.draw(heard, Path(args.plots))
    if args.format == "json":
        print(json.dumps(figures, allow_nan=False))
    else:
        print("\n".join(report.lines(figures)))
    return OK


def _check_families(wanted: list[str], split: str) -> None:
    from prehowl.daemon.bench import material

    known = {name for p in material.pieces(split) for name in (p.family, p.group)}
    unknown = sorted(set(wanted) - known)
    if unknown:
        raise UsageError(
            f"--families: {', '.join(unknown)} not known or not installed here. "
            f"There are: {', '.join(sorted(known))}"
        )


def _make_folder(option: str, folder: str | None) -> None:
    """Make a folder for results now, not after an hour's work that would be lost."""
    if folder is None:
        return
    try:
        Path(folder).mkdir(parents=True, exist_ok=True)
    except (OSError, ValueError) as fault:
        reason = getattr(fault, "strerror", None) or fault
        raise OutputError(f"{option} {folder}: no folder can be made there ({reason})") from None


def _progress() -> Callable[[int, int], None]:
    """Return a counter for people that writes to a terminal's stderr only."""
    shown = sys.stderr.isatty()

    def done(count: int, total: int) -> None:
        if shown:
            end = "\n" if count == total else ""
            print(f"\rbench: {count} of {total} jobs ", end=end, file=sys.stderr, flush=True)

    return done


def _load(args: argparse.Namespace) -> int:
    _within("--channels", args.channels, CHANNELS)
    _within("--rate", args.rate, RATES_HZ)
    if not 1 <= args.seconds <= 600:
        raise UsageError(f"--seconds is {args.seconds:g}; it takes 1 to 600")
    from prehowl.daemon.bench import load
    from prehowl.daemon.sinks.words import counted

    found = load.measure_alone(args.channels, args.rate, args.seconds, args.seed)
    if args.format == "json":
        print(json.dumps({"type": "load", **asdict(found)}))
        return OK
    print(
        f"{counted(found.channels, 'channel')} at {found.rate_hz} Hz, "
        f"{found.seconds:g} s of programme"
    )
    print(f"engine              {100 * found.realtime_share:6.1f} % of one core")
    print(f"  dearest second    {100 * found.slowest_share:6.1f} %")
    print(f"bare windowed FFT   {100 * found.floor_share:6.1f} %")
    print(f"ratio               {found.ratio:6.2f}")
    return OK


def _within(option: str, value: int, limits: tuple[int, int]) -> None:
    if not limits[0] <= value <= limits[1]:
        raise UsageError(f"{option} is {value}; it takes {limits[0]} to {limits[1]}")
