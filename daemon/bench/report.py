"""The figures of a run as a table for people."""

from collections.abc import Iterator, Sequence
from typing import Any

Figures = dict[str, Any]


def lines(figures: Figures) -> Iterator[str]:
    """Yield the lines of the report; keys as made by `summary.summarise`."""
    yield from _heading(figures)
    yield from _rings("growth", figures["growth"])
    yield from _rings("kind", figures["kinds"])
    yield from _rings("programme", figures["programmes"])
    yield from _rings("tap", figures["taps"])
    yield "rose in sight before the takeover, to 100 dB/s"
    yield from _rings("", figures["in_sight"])
    yield "the same, faster"
    yield from _rings("", figures["in_sight_faster"])
    yield from _rings("no rise to see", [figures["instant"]])
    yield from _other(figures)
    yield from advice_lines(figures["advice"])
    yield from _free(figures["howl_free"])


def _heading(figures: Figures) -> Iterator[str]:
    goal = figures["targets"]
    yield (
        f"split {figures['split']}, seed {figures['seed']}: {figures['howl_cases']['cases']} "
        f"closed-loop cases, {figures['howl_free']['all']['hours'] * 60:.1f} min howl-free"
    )
    yield from rooms_line(figures["modelled_rooms"] or not figures["howl_cases"]["cases"])
    yield "shares with 95 % Wilson intervals, rates with exact Poisson intervals"
    yield ""
    yield (
        "alarmed before the takeover, to 100 dB/s          "
        + share_text(goal["recall_by_takeover_to_100_db_per_s"])
    )
    yield (
        "alarmed within 100 ms of it, above 100 dB/s       "
        + share_text(goal["recall_within_100_ms_above_100_db_per_s"])
    )
    yield (
        "lead before the takeover, to 100 dB/s, median     "
        + spread_text(goal["lead_s_to_100_db_per_s"], 1000, "ms")
    )
    yield ""


def rooms_line(has_rooms: bool) -> Iterator[str]:
    """Yield a line where a run had to do without modelled rooms, since its cases are others."""
    if not has_rooms:
        yield (
            "without modelled rooms (pyroomacoustics is not installed): a quarter of the cases has "
            "echoes instead; not to be compared with published figures"
        )


def _rings(title: str, rows: Sequence[Figures]) -> Iterator[str]:
    yield (
        f"{title:<15}{'rings':>6} {'by takeover':>22} {'within 100 ms':>14} {'ever':>6} "
        f"{'lead ms (quartiles)':>22} {'after limit ms':>15}"
    )
    for row in rows:
        yield (
            f"{row['name']:<15}{row['rings']:>6} {share_text(row['recall_by_takeover']):>22} "
            f"{_percent(row['recall_within_100_ms']):>14} {_percent(row['recall_ever']):>6} "
            f"{_quartiles(row['lead_s']):>22} {_median(row['delay_after_crossing_s']):>15}"
        )
    yield ""


def _other(figures: Figures) -> Iterator[str]:
    pitch, howls, held = figures["frequency"], figures["howl_cases"], figures["marginal"]
    rows = (
        ("frequency error from 200 Hz", spread_text(pitch["error_cents_from_200_hz"], 1, "cents")),
        (
            "frequency error below 200 Hz",
            spread_text(pitch["error_cents_below_200_hz"], 1, "cents"),
        ),
        ("right 1/3-octave band", share_text(pitch["right_band"])),
        ("cleared within 1.5 s", share_text(figures["cleared_in_time"])),
        ("rings alarmed once only", share_text(figures["steadiness"]["told_once"])),
        ("  cleared while they stood", share_text(figures["steadiness"]["cut_short"])),
        ("cases with a wrong alarm", share_text(howls["cases_with_wrong_alarm"])),
        ("wrong alarms in howl cases", rate_text(howls["wrong_alarms"])),
        ("  of these at harmonics", str(howls["of_these_at_harmonics"])),
        ("alarms before the limit", str(howls["alarms_before_the_limit"])),
        ("marginal holds suspected", share_text(held["suspected"])),
        ("  of those with audible tails", share_text(held["suspected_of_audible"])),
        ("marginal holds alarmed", share_text(held["alarmed"])),
    )
    for name, text in rows:
        yield f"{name:<30}{text}"
    yield ""


def advice_lines(rows: Sequence[Figures]) -> Iterator[str]:
    """Yield the table of what the advised cuts did."""
    yield (
        f"{'advised cut':<15}{'rings':>6} {'stops':>22} {'within the cap':>22} {'beyond':>7} "
        f"{'dB over needed (quartiles)':>27}"
    )
    for row in rows:
        yield (
            f"{row['name']:<15}{row['rings']:>6} {share_text(row['stops']):>22} "
            f"{share_text(row['stops_within_cap']):>22} {row['beyond_cap']:>7} "
            f"{_decibels(row['over_needed_db']):>27}"
        )
    yield ""


def _free(free: Figures) -> Iterator[str]:
    yield f"{'howl-free':<18}{'min':>7}   {'false alarms an hour':<28}suspects an hour"
    for row in (*free["families"], *({**g, "name": f"= {g['name']}"} for g in free["groups"])):
        yield _free_row(row)
    yield _free_row({**free["all"], "name": "= all"})
    if free["with_reference"]["hours"]:
        yield "indistinct: no single channel can tell these from howls; in no total but its own"
        yield _free_row({**free["with_reference"], "name": "  with reference"})


def _free_row(row: Figures) -> str:
    return (
        f"{row['name']:<18}{row['hours'] * 60:>7.1f}   {rate_text(row['false_alarms']):<28}"
        f"{rate_text(row['suspects'])}"
    )


def share_text(share: Figures) -> str:
    """Write a share with its interval, in percent."""
    if share["share"] is None:
        return "-"
    low, high = share["interval"]
    return f"{100 * share['share']:.1f} % ({100 * low:.0f}-{100 * high:.0f})"


def rate_text(rate: Figures) -> str:
    """Write a rate with its count and interval."""
    if rate["per_hour"] is None:
        return "-"
    low, high = rate["interval"]
    return f"{rate['per_hour']:.1f} ({low:.1f}-{high:.1f}; {rate['count']})"


def spread_text(spread: Figures, factor: float, unit: str) -> str:
    """Write a median with quartiles."""
    if spread["median"] is None:
        return "-"
    low, high = spread["quartiles"]
    return (
        f"{factor * spread['median']:.4g} {unit} "
        f"(quartiles {factor * low:.4g} to {factor * high:.4g})"
    )


def _percent(share: Figures) -> str:
    return "-" if share["share"] is None else f"{100 * share['share']:.1f} %"


def _quartiles(spread: Figures) -> str:
    if spread["median"] is None:
        return "-"
    low, high = spread["quartiles"]
    return f"{1000 * spread['median']:.0f} ({1000 * low:.0f} to {1000 * high:.0f})"


def _decibels(spread: Figures) -> str:
    if spread["median"] is None:
        return "-"
    low, high = spread["quartiles"]
    return f"{spread['median']:.1f} ({low:.1f} to {high:.1f})"


def _median(spread: Figures) -> str:
    return "-" if spread["median"] is None else f"{1000 * spread['median']:.0f}"
