"""Pictures of the bench's figures (needs matplotlib, bench extra)."""

import importlib.util
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from prehowl.daemon.bench.records import Heard
from prehowl.daemon.bench.score import score_case
from prehowl.daemon.bench.summary import Figures
from prehowl.daemon.errors import OutputError, UsageError

PANELS = (
    ("recall_by_takeover_to_100_db_per_s", "to 100 dB/s: alarmed by the takeover"),
    ("recall_within_100_ms_above_100_db_per_s", "above 100 dB/s: within 100 ms after it"),
)


def require() -> None:
    """Make sure, before an hour's work, that there is something to draw with.

    Raises
    ------
    UsageError
        If matplotlib is not installed.
    """
    if importlib.util.find_spec("matplotlib") is None:
        raise UsageError("--plots needs matplotlib: pip install 'prehowl[bench]'")


def draw_detection(heard: Heard, figures: Figures, folder: Path) -> None:
    """Write `lead-against-growth.png` and `recall-by-growth.png` into a folder.

    Raises
    ------
    UsageError
        If matplotlib is not installed.
    OutputError
        If the folder cannot be written.
    """
    _save(_leads(heard), folder, "lead-against-growth.png")
    _save(_recalls(figures), folder, "recall-by-growth.png")


def draw_peers(figures: Figures, folder: Path) -> None:
    """Write `recall-against-false-alarms.png` into a folder; raises as `draw_detection`."""
    _save(_curves(figures), folder, "recall-against-false-alarms.png")


def _figure(width: float = 7.0) -> Any:
    require()
    from matplotlib.figure import Figure

    return Figure(figsize=(width, 4.5), layout="constrained")


def _save(picture: Any, folder: Path, name: str) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        picture.savefig(folder / name, dpi=120)
    except OSError as fault:
        raise OutputError(f"--plots {folder}: cannot write there ({fault.strerror})") from fault


def _leads(heard: Heard) -> Any:
    rings = [ring for case in heard.cases for ring in score_case(case).rings]
    led = [(r.true.growth_db_per_s, r.lead_s) for r in rings if r.lead_s is not None]
    missed = [r.true.growth_db_per_s for r in rings if r.alarm_s is None]
    picture = _figure()
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
    return picture


def _recalls(figures: Figures) -> Any:
    """Draw recall by class of growth with its intervals, and the false alarms in the title."""
    picture = _figure()
    axes = picture.add_subplot()
    rows = figures["growth"]
    for key, label, shift in (
        ("recall_by_takeover", "by the takeover", -0.08),
        ("recall_within_100_ms", "within 100 ms after it", 0.08),
    ):
        held = [(k, row[key]) for k, row in enumerate(rows) if row[key]["share"] is not None]
        low, high = _errors([share for _, share in held])
        at = [k + shift for k, _ in held]
        axes.errorbar(at, [s["share"] for _, s in held], yerr=(low, high), fmt="o", label=label)
    rate = figures["howl_free"]["all"]["false_alarms"]
    axes.set(xticks=range(len(rows)), ylim=(0, 1.02), ylabel="share of rings alarmed")
    axes.set_xticklabels([row["name"] for row in rows])
    if rate["per_hour"] is not None:
        axes.set_title(f"at {rate['per_hour']:g} false alarms an hour")
    axes.legend(loc="lower left")
    return picture


def _errors(shares: list[Figures]) -> tuple[list[float], list[float]]:
    low = [max(0.0, s["share"] - s["interval"][0]) for s in shares]
    return low, [max(0.0, s["interval"][1] - s["share"]) for s in shares]


def _curves(figures: Figures) -> Any:
    picture = _figure(13.0)
    left, right = picture.subplots(1, 2, sharey=True)
    hours = sum(figures["hours"].values())
    for axes, (key, title) in zip((left, right), PANELS, strict=True):
        for number, curve in enumerate(figures["curves"]):
            points = list(_drawn(curve["points"], key, hours))
            at, shares = [x for x, _ in points], [s["share"] for _, s in points]
            if number == 0:
                axes.errorbar(
                    at, shares, yerr=_errors([s for _, s in points]), fmt="o-", color="black",
                    lw=2, ms=5, capsize=2, label=curve["name"], zorder=5,
                )  # fmt: skip
            else:
                style = ("-", "--", ":")[(number - 1) // 10]
                axes.plot(at, shares, ls=style, marker=".", ms=3, lw=1, label=curve["name"])
        axes.set(xscale="log", xlabel="false alarms an hour", title=title, ylim=(0, 1.02))
    left.set_ylabel("share of rings alarmed in time")
    right.legend(fontsize="x-small", loc="upper left", bbox_to_anchor=(1.0, 1.0))
    return picture


def _drawn(points: list[Figures], key: str, hours: float) -> Iterator[tuple[float, Figures]]:
    """Yield the points of a curve by rate; no false alarm at all is drawn as half of one."""
    floor = 0.5 / max(hours, 1e-9)
    placed = [(max(p["false_alarms"]["per_hour"] or 0.0, floor), p[key]) for p in points]
    known = (p for p in placed if p[1]["share"] is not None)
    yield from sorted(known, key=lambda p: (p[0], p[1]["share"]))
