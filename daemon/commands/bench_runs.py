"""What each bench of `prehowl bench` does with its options; the options are in `bench`.

Nothing of the bench is imported before the number of numerical threads is set.
"""

import argparse
import json
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import asdict
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from prehowl.daemon.commands import bench_checks as checks
from prehowl.daemon.errors import FOUND_A_PROBLEM, OK, UsageError

FILES = (1, 100)
OVER_DB = (0.0, 6.0)
STAGES = (1, 100_000)
SENSITIVITIES = (0.01, 100.0)


def detection(args: argparse.Namespace) -> int:
    """Run `bench detection`."""
    checks.within("--sensitivity", args.sensitivity, SENSITIVITIES)
    checks.check_draw(args)
    from prehowl.daemon.bench import dump, hearing, paths, plots, report, summary

    without = tuple(dict.fromkeys(args.without))
    asked = hearing.Asked(without, args.sensitivity, args.rang_before)
    jobs = hearing.jobs_of(args.split, args.cases, args.minutes, args.seed, args.families, asked)
    heard = hearing.hear(jobs, args.jobs, _progress())
    figures = {
        "type": "detection",
        "split": args.split,
        "seed": args.seed,
        "without": list(asked.without),
        "sensitivity": asked.sensitivity,
        "rang_before": asked.rang_before,
        "modelled_rooms": paths.has_rooms(),
        **summary.summarise(heard),
    }
    with ExitStack() as after:
        if args.plots is not None:
            after.callback(plots.draw_detection, heard, figures, Path(args.plots))
        if args.dump is not None:
            after.callback(dump.write, heard, Path(args.dump))
        return _tell(figures, args.format, report.lines)


def peers(args: argparse.Namespace) -> int:
    """Run `bench peers`."""
    checks.check_draw(args)
    from prehowl.daemon.bench import hearing, paths, plots
    from prehowl.daemon.bench.peers import figures, report, trials

    drawn = hearing.jobs_of(args.split, args.cases, args.minutes, args.seed, args.families)
    done = trials.run(trials.fit_for_comparison(drawn), args.jobs, _progress())
    told = {
        "type": "peers",
        "split": args.split,
        "seed": args.seed,
        "modelled_rooms": paths.has_rooms(),
        **figures.curves(done),
    }
    with ExitStack() as after:
        if args.plots is not None:
            after.callback(plots.draw_peers, told, Path(args.plots))
        return _tell(told, args.format, report.lines)


def protocol(args: argparse.Namespace) -> int:
    """Run `bench protocol`."""
    checks.within("--files", args.files, FILES)
    checks.within("--over", args.over, OVER_DB)
    checks.within("--seed", args.seed, checks.SEEDS)
    checks.share_cores(args.jobs)
    from prehowl.daemon.bench import paths
    from prehowl.daemon.bench.protocol import accuracy, figures, premature, report

    if not paths.has_rooms():
        raise UsageError("bench protocol needs pyroomacoustics: pip install 'prehowl[bench]'")
    try:
        files = accuracy.jobs_of(args.split, args.files, args.seed, args.over)
        trials = premature.jobs_of(args.split, args.files, args.seed)
    except LookupError as fault:
        raise UsageError(str(fault)) from fault
    counts = accuracy.run(files, args.jobs, _progress())
    verdicts = list(premature.run(trials, args.jobs, _progress()))
    told = {
        "type": "protocol",
        "split": args.split,
        "seed": args.seed,
        "over_db": args.over,
        "accuracy": figures.accuracy(counts),
        "premature": figures.premature(verdicts),
    }
    return _tell(told, args.format, report.lines)


def ringout(args: argparse.Namespace) -> int:
    """Run `bench ringout`."""
    checks.within("--stages", args.stages, STAGES)
    checks.within("--seed", args.seed, checks.SEEDS)
    checks.share_cores(args.jobs)
    from prehowl.daemon.bench import ringouts
    from prehowl.daemon.ringout.state import Plan

    dump = None if args.dump is None else ringouts.Dump(Path(args.dump))
    records = ringouts.run_stages(args.stages, args.seed, args.jobs, Plan(), _progress(), dump)
    told = {"seed": args.seed, **ringouts.figures(records)}
    with ExitStack() as after:
        if dump is not None:
            after.callback(dump.check)
        return _tell(told, args.format, ringouts.lines)


def alerts(args: argparse.Namespace) -> int:
    """Run `bench alerts`."""
    checks.within("--seed", args.seed, checks.SEEDS)
    checks.make_folder("--keep", args.keep)
    from prehowl.daemon.bench import one_alert, one_mode

    if args.tolerance:
        found = one_mode.figures(args.seed)
        return _tell({"type": "tolerance", **found}, args.format, one_mode.lines)
    with ExitStack() as after:
        made = Path(after.enter_context(TemporaryDirectory()))
        told = one_alert.figures(args.seed, made)
        if args.keep is not None:
            after.callback(one_alert.keep, made, Path(args.keep))
        return _tell({"type": "alerts", **told}, args.format, one_alert.lines)


def load(args: argparse.Namespace) -> int:
    """Run `bench load`."""
    checks.check_stream(args)
    if not 1 <= args.seconds <= 600:
        raise UsageError(f"--seconds is {args.seconds:g}; it takes 1 to 600")
    from prehowl.daemon.bench import load
    from prehowl.daemon.sinks.words import counted

    if args.steps is not None:
        checks.within("--steps", args.steps, (0, args.channels - 1))
    found = load.measure_alone(args.channels, args.rate, args.seconds, args.seed, args.steps)
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
    for step in found.steps:
        print(f"without {step.without:<24} {100 * step.realtime_share:6.1f} %")
    return OK


def latency(args: argparse.Namespace) -> int:
    """Run `bench latency`."""
    checks.check_stream(args)
    if not 5 <= args.seconds <= 3600:
        raise UsageError(f"--seconds is {args.seconds:g}; it takes 5 to 3600")
    from prehowl.daemon.bench.latency import measure_latency

    found = measure_latency(args.channels, args.rate, args.seconds, args.seed)
    if args.format == "json":
        print(json.dumps({"type": "latency", **asdict(found)}))
        return OK
    print(f"{found.channels} channels at {found.rate_hz} Hz, {found.events} events")
    print(f"median  {found.median_ms:6.1f} ms from the block to the datagram")
    print(f"p99     {found.p99_ms:6.1f} ms")
    print(f"worst   {found.worst_ms:6.1f} ms; {found.missing} datagrams missing")
    return OK


def soak(args: argparse.Namespace) -> int:
    """Run `bench soak`."""
    checks.check_stream(args)
    if not 0.01 <= args.hours <= 100:
        raise UsageError(f"--hours is {args.hours:g}; it takes 0.01 to 100")
    from prehowl.daemon.bench import soak as endurance

    shown = sys.stderr.isatty()

    def say(hours: float) -> None:
        if shown:
            print(f"\rbench: {hours:.2f} h ", end="", file=sys.stderr, flush=True)

    found = endurance.soak(args.channels, args.rate, args.hours, args.seed, say)
    if args.format == "json":
        print(json.dumps({"type": "soak", **asdict(found), "is_sound": found.is_sound}))
    else:
        slope, error = found.slope_mb_per_h, found.slope_error_mb_per_h
        print(f"{found.channels} channels at {found.rate_hz} Hz, {found.hours:g} h of stream")
        print(
            f"events  {found.events} of {found.howls} howls; of a scan {found.events_of_scan}; "
            f"in the logbook {found.events_in_logbook}"
        )
        print(f"asked   {found.notes} notes; in the logbook {found.notes_in_logbook}")
        print(f"away    {found.lost_s:g} s without the source")
        print(f"memory  {found.memory_mb:.0f} MB at the end; {slope:+.2f} ± {error:.2f} MB an hour")
        slope, error = found.objects_per_h, found.objects_error_per_h
        print(f"objects {slope:+.0f} ± {error:.0f} an hour")
        print(f"files   {found.files_first} open at the beginning, {found.files_last} at the end")
    return OK if found.is_sound else FOUND_A_PROBLEM


RUNS: dict[str, Callable[[argparse.Namespace], int]] = {
    "detection": detection,
    "peers": peers,
    "protocol": protocol,
    "ringout": ringout,
    "alerts": alerts,
    "load": load,
    "latency": latency,
    "soak": soak,
}


def _tell(
    figures: dict[str, Any], form: str, lines: Callable[[dict[str, Any]], Iterator[str]]
) -> int:
    """Print the figures; what else is written of a run comes after, for it may fail."""
    if form == "json":
        print(json.dumps(figures, allow_nan=False), flush=True)
    else:
        print("\n".join(lines(figures)), flush=True)
    return OK


def _progress() -> Callable[[int, int], None]:
    """Return a counter for people that writes to a terminal's stderr only."""
    shown = sys.stderr.isatty()

    def done(count: int, total: int) -> None:
        if shown:
            end = "\n" if count == total else ""
            print(f"\rbench: {count} of {total} jobs ", end=end, file=sys.stderr, flush=True)

    return done
