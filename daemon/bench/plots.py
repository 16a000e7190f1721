"""Lead before the takeover against growth, as a picture (needs matplotlib, bench extra)."""

import importlib.util
from pathlib import Path

from prehowl.daemon.bench.hearing import Heard
from prehowl.daemon.bench.score import score_case
from prehowl.daemon.errors import OutputError, UsageError


def require() -> None:
    """Make sure, before an hour's work, that there is something to draw with.

    Raises
    ------
    UsageError
        If matplotlib is not installed.
    """
    if importlib.util.find_spec("matplotlib") is None:
        raise UsageError("--plots needs matplotlib: pip install 'prehowl[bench]'")


def draw(heard: Heard, folder: Path) -> None:
    """Write `lead-against-growth.png` into a folder.

    Raises
    ------
    UsageError
        If matplotlib is not installed.
    OutputError
        If the folder cannot be written.
    """
    require()
    from matplotlib.figure import Figure

    rings = [ring for case in heard.cases for ring in score_case(case).rings]
    led = [(r.true.growth_db_per_s, r.lead_s) for r in rings if r.lead_s is not None]
    missed = [r.true.growth_db_per_s for r in rings if r.alarm_s is None]
    picture = Figure(figsize=(7, 4.5), layout="constrained")
    axes = picture.add_subplot()
    axes.plot([g for g, _ in led], [1000 * lead for _, lead in led], "o", ms=4, label="alarmed")
    axes.plot(missed, [0.0] * len(missed), "x", ms=7, label="never alarmed")
    axes.axhline(0, lw=1, color="black")
    axes.axhline(150, lw=1, ls="--", color="gray")
    axes.set(
        xscale="log",
        xlabel="growth, dB/s",
        ylabel="alarm before the takeover, ms",
        ylim=(-500, 1500),
    )
    axes.legend()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        picture.savefig(folder / "lead-against-growth.png", dpi=120)
    except OSError as fault:
        raise OutputError(f"--plots {folder}: cannot write there ({fault.strerror})") from fault
