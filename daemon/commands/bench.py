"""`prehowl bench`: measure detection quality and load, on sound that anyone can have."""

import argparse
import json
import os
import sys
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path

from prehowl.daemon.errors import OK, UsageError

HELP = """Measure how well howls are found, and what it costs.

bench detection  closed-loop howls with truth by physics, and howl-free sound: recall before the
                 takeover (the ring as loud as the programme), lead, frequency error, wrong and
                 false alarms, each with its confidence interval. Sound comes from Debian packages
                 (.ci/apt-packages) and from seeded makers; docs/bench.md says how.
bench ringout    ring-outs by the automatic hand on virtual stages: gain won, what an optimiser
                 that knows the loop would win, loss on pink noise, whether what was told was true.
bench load       CPU seconds for a second of audio, and the bare windowed FFT's beside it.

The split `final` is only for reporting; tune on `tune`, compare on `check`."""

EXAMPLE = "prehowl bench detection --split tune --cases 24 --minutes 6"

CHANNELS = (1, 256)
RATES_HZ = (8000, 192000)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare both benches and their options."""
    benches = parser.add_subparsers(dest="bench", required=True, metavar="{detection,ringout,load}")
    detection = benches.add_parser("detection", help="recall, lead, errors, false alarms")
    detection.add_argument("--split", choices=("tune", "check", "final"), default="check")
    detection.add_argument("--cases", type=int, default=80, help="closed-loop cases; default 80")
    detection.add_argument(
        "--minutes", type=float, default=20.0, help="howl-free minutes; default 20, 0 for none"
    )
    detection.add_argument("--seed", type=int, default=1, help="another seed, other cases")
    detection.add_argument(
        "--families",
        nargs="+",
        default=[],
        metavar="NAME",
        help="only these howl-free families or groups",
    )
    detection.add_argument("--jobs", type=int, default=2, help="processes; default 2")
    detection.add_argument(
        "--dump", metavar="DIR", help="write every case, its truth and its events there"
    )
    detection.add_argument("--plots", metavar="DIR", help="draw lead against growth there (PNG)")
    _add_format(detection)
    ringout = benches.add_parser("ringout", help="ring-outs on virtual stages")
    ringout.add_argument("--stages", type=int, default=24, help="how many; default 24")
    ringout.add_argument("--seed", type=int, default=100_000, help="of the first stage")
    ringout.add_argument("--jobs", type=int, default=2, help="processes; default 2")
    ringout.add_argument("--dump", metavar="FILE", help="add one JSON object a stage to it")
    _add_format(ringout)
    load = benches.add_parser("load", help="CPU cost of the engine")
    load.add_argument("--channels", type=int, default=32)
    load.add_argument("--rate", type=int, default=48000, metavar="HZ")
    load.add_argument("--seconds", type=float, default=15.0, help="of audio; default 15")
    load.add_argument("--seed", type=int, default=1)
    _add_format(load)


def _add_format(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--format", choices=("table", "json"), default="table")
    # Accepted after the bench's name too, as `--debug` stands last in most commands.
    parser.add_argument("--debug", action="store_true", help=argparse.SUPPRESS)


def run(args: argparse.Namespace) -> int:
    """Run one of the benches."""
    if args.bench == "load":
        return _load(args)
    if args.bench == "ringout":
        return _ringout(args)
    return _detection(args)


def _detection(args: argparse.Namespace) -> int:
    if args.cases < 0 or args.minutes < 0 or args.cases + args.minutes == 0:
        raise UsageError("--cases and --minutes must not be negative, and not both 0")
    if args.jobs < 1:
        raise UsageError(f"--jobs is {args.jobs}; it takes 1 or more processes")
    # Several processes with several numerical threads each would only fight for the same cores.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from prehowl.daemon.bench import dump, hearing, report, summary

    _check_families(args.families, args.split)
    jobs = hearing.jobs_of(args.split, args.cases, args.minutes, args.seed, args.families)
    heard = hearing.hear(jobs, args.jobs, _progress())
    figures = {
        "type": "detection",
        "split": args.split,
        "seed": args.seed,
        **summary.summarise(heard),
    }
    if args.dump:
        dump.write(heard, Path(args.dump))
    if args.plots:
        from prehowl.daemon.bench import plots

        plots.draw(heard, Path(args.plots))
    if args.format == "json":
        print(json.dumps(figures, allow_nan=False))
    else:
        print("\n".join(report.lines(figures)))
    return OK


def _ringout(args: argparse.Namespace) -> int:
    _within("--stages", args.stages, (1, 100_000))
    _within("--jobs", args.jobs, (1, 256))
    _within("--seed", args.seed, (0, 2**31))
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from prehowl.daemon.bench import ringouts
    from prehowl.daemon.ringout.state import Plan

    dump = Path(args.dump) if args.dump else None
    records = ringouts.run_stages(args.stages, args.seed, args.jobs, Plan(), _progress(), dump)
    figures = {**ringouts.figures(records), "seed": args.seed}
    if args.format == "json":
        print(json.dumps(figures, allow_nan=False))
    else:
        print("\n".join(ringouts.lines(figures)))
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

    found = load.measure_alone(args.channels, args.rate, args.seconds, args.seed)
    if args.format == "json":
        print(json.dumps({"type": "load", **asdict(found)}))
        return OK
    print(f"{found.channels} channels at {found.rate_hz} Hz, {found.seconds:g} s of programme")
    print(f"engine              {100 * found.realtime_share:6.1f} % of one core")
    print(f"  dearest second    {100 * found.slowest_share:6.1f} %")
    print(f"bare windowed FFT   {100 * found.floor_share:6.1f} %")
    print(f"ratio               {found.ratio:6.2f}")
    return OK


def _within(option: str, value: int, limits: tuple[int, int]) -> None:
    if not limits[0] <= value <= limits[1]:
        raise UsageError(f"{option} is {value}; it takes {limits[0]} to {limits[1]}")
