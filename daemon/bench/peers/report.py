"""The comparison with the peers as a table for people."""

from collections.abc import Iterator

from prehowl.daemon.bench.report import Figures, rooms_line, share_text


def lines(figures: Figures) -> Iterator[str]:
    """Yield the lines of the report; keys as made by `figures.curves`."""
    hours = ", ".join(f"{name} {60 * h:.0f} min" for name, h in figures["hours"].items())
    yield f"split {figures['split']}, seed {figures['seed']}: {figures['rings']} rings; {hours}"
    yield from rooms_line(figures["modelled_rooms"] or not figures["rings"])
    yield "in time: by the takeover up to 100 dB/s, within 100 ms after it above"
    yield "false alarms: 1/3-octave bands x whole seconds of howl-free sound"
    yield ""
    yield from _budgets(figures)
    yield from _published(figures)
    yield from _dominated(figures)


def _budgets(figures: Figures) -> Iterator[str]:
    budgets = figures["budgets_per_hour"]
    heads = [*(f"<= {b:g} /h" for b in budgets[:-1]), f"<= {budgets[-1] or 0:g} /h (default)"]
    yield f"{'best in time with':<24}" + "".join(f"{head:>22}" for head in heads)
    for curve in figures["curves"]:
        cells = [
            "-" if point is None else share_text(point["in_time"])
            for point in curve["within_budget"]
        ]
        yield f"{curve['name']:<24}" + "".join(f"{cell:>22}" for cell in cells)
    yield ""


def _published(figures: Figures) -> Iterator[str]:
    yield (
        f"{'at published settings':<24}{'setting':>12}{'in time':>22}{'slow, by takeover':>22}"
        f"{'fast, in 100 ms':>22}{'false alarms /h':>17}"
    )
    engine = figures["curves"][0]
    usual = [p for p in engine["points"] if p["setting"] == 1.0]
    for curve in figures["curves"]:
        for point in usual if curve is engine else curve["published"]:
            yield (
                f"{curve['name']:<24}{point['setting']:>8g} {curve['unit'][:3]:<3}"
                f"{share_text(point['in_time']):>22}"
                f"{share_text(point['recall_by_takeover_to_100_db_per_s']):>22}"
                f"{share_text(point['recall_within_100_ms_above_100_db_per_s']):>22}"
                f"{point['false_alarms']['per_hour'] or 0:>17.1f}"
            )
    yield ""


def _dominated(figures: Figures) -> Iterator[str]:
    yield "points of each curve at which the engine finds as many with no more false alarms"
    for curve in figures["curves"][1:]:
        found, worst = curve["dominated"], curve["dominated"]["worst"]
        usable = found["usable"]
        text = (
            f"{curve['name']:<24}{usable['matched']:>4} of {usable['points']:>2} up to 1000 /h, "
            f"{found['matched']} of {found['points']} in all"
        )
        if worst is not None:
            per_hour = worst["point"]["false_alarms"]["per_hour"] or 0
            theirs, ours = worst["point"]["in_time"]["share"], worst["engine_in_time"]
            text += f"; worst at {per_hour:.1f} /h: {100 * theirs:.1f} % against {100 * ours:.1f} %"
        yield text
