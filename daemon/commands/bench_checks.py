"""What the benches refuse before they work: an hour must not end in a fault seen at its start.

Nothing of the bench is imported before the number of numerical threads is set.
"""

import argparse
import math
import os
from pathlib import Path
from tempfile import NamedTemporaryFile

from prehowl.daemon.errors import OutputError, UsageError

CHANNELS = (1, 256)
RATES_HZ = (8000, 192000)
SEEDS = (0, 2**31)


def check_draw(args: argparse.Namespace) -> None:
    """Check what a run over cases and howl-free sound takes, and make what it will need."""
    if not (args.cases >= 0 and 0 <= args.minutes < math.inf and args.cases + args.minutes > 0):
        raise UsageError("--cases and --minutes must be 0 or above and finite, and not both 0")
    within("--seed", args.seed, SEEDS)
    share_cores(args.jobs)
    make_folder("--dump", getattr(args, "dump", None))
    if args.plots is not None:
        from prehowl.daemon.bench import plots

        plots.require()
        make_folder("--plots", args.plots)
    _check_families(args.families, args.split)
    if args.cases > 0:
        _check_programmes(args.cases, args.split)


def check_stream(args: argparse.Namespace) -> None:
    """Check what a stream of made sound takes."""
    within("--channels", args.channels, CHANNELS)
    within("--rate", args.rate, RATES_HZ)
    within("--seed", args.seed, SEEDS)


def within(option: str, value: float, limits: tuple[float, float]) -> None:
    """Raise `UsageError` where an option's value lies outside its limits."""
    if not limits[0] <= value <= limits[1]:
        found, low, high = (v if isinstance(v, int) else f"{v:g}" for v in (value, *limits))
        raise UsageError(f"{option} is {found}; it takes {low} to {high}")


def share_cores(processes: int) -> None:
    """Check the number of processes; each takes one numerical thread."""
    if processes < 1:
        raise UsageError(f"--jobs is {processes}; it takes 1 or more processes")
    # Several processes with several numerical threads each would only fight for the same cores.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def make_folder(option: str, folder: str | None) -> None:
    """Make a folder for results, and see that a file can be made there.

    Raises
    ------
    OutputError
        If either cannot be.
    """
    if folder is None:
        return
    try:
        Path(folder).mkdir(parents=True, exist_ok=True)
    except (OSError, ValueError) as fault:
        raise _refused(option, folder, "no folder can be made there", fault) from None
    try:
        with NamedTemporaryFile(dir=folder, prefix=".prehowl-"):
            pass
    except OSError as fault:
        raise _refused(option, folder, "nothing can be written there", fault) from None


def _refused(option: str, folder: str, what: str, fault: Exception) -> OutputError:
    reason = getattr(fault, "strerror", None) or fault
    return OutputError(f"{option} {folder}: {what} ({reason}); choose another folder")


def _check_families(wanted: list[str], split: str) -> None:
    from prehowl.daemon.bench import material

    known = {name for p in material.pieces(split) for name in (p.family, p.group)}
    unknown = sorted(set(wanted) - known)
    if unknown:
        raise UsageError(
            f"--families: {', '.join(unknown)} not known or not installed here. "
            f"There are: {', '.join(sorted(known))}"
        )


def _check_programmes(cases: int, split: str) -> None:
    """See that there is sound for the microphone of every case, whatever will be drawn."""
    from prehowl.daemon.bench import material
    from prehowl.daemon.bench.specs import PROGRAMMES

    missing = [name for name, of in PROGRAMMES.items() if not material.pieces(split, of)]
    if missing:
        raise UsageError(
            f"--cases {cases}: closed-loop cases need howl-free recordings, and of "
            f"{' and '.join(missing)} the split {split} has none here; install the packages of "
            ".ci/apt-packages, or give --cases 0"
        )
