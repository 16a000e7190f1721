"""The published protocols' figures as tables for people."""

from collections.abc import Iterator

from prehowl.daemon.bench.report import Figures, share_text


def lines(figures: Figures) -> Iterator[str]:
    """Yield the lines of the report."""
    yield (
        f"split {figures['split']}, seed {figures['seed']}; held {figures['over_db']:g} dB over "
        "the limit; F1 over frames and bins"
    )
    yield "best threshold on these files; published: the 2025 paper's own best"
    yield ""
    for one in figures["accuracy"]:
        yield from _accuracy(one)
    yield from _premature(figures["premature"])


def _accuracy(one: Figures) -> Iterator[str]:
    title = f"{one['material']} ({one['files']} files, {one['dropped']} dropped)"
    yield (
        f"{title:<34}{'F1 full':>8}{'early':>7}{'PR-AUC full':>13}{'early':>7}"
        f"{'at default':>14}{'published':>14}"
    )
    for row in one["rows"]:
        full, early = row["full"], row["early"]
        usual = _pair(row.get("full_at_default"), row.get("early_at_default"))
        known = row["published_f1"]
        published = "-" if known is None else f"{known[0]:.2f} / {known[1]:.2f}"
        yield (
            f"{row['name']:<34}{full['f1']:>8.2f}{early['f1']:>7.2f}{full['pr_auc']:>13.2f}"
            f"{early['pr_auc']:>7.2f}{usual:>14}{published:>14}"
        )
    yield ""


def _pair(full: Figures | None, early: Figures | None) -> str:
    return "-" if full is None or early is None else f"{full['f1']:.2f} / {early['f1']:.2f}"


def _premature(rows: list[Figures]) -> Iterator[str]:
    yield "alarms before the loop passes its limit, from 3 dB under it"
    yield (
        f"{'':<8}{'course':<20}{'loops':>6}{'premature':>11}{'suspects':>10}{'alarmed':>22}"
        f"{'within 200 ms':>22}{'median ms':>11}"
    )
    for row in rows:
        delay = row["alarm_after_passing_s"]["median"]
        yield (
            f"{row['material']:<8}{row['course']:<20}{row['loops']:>6}"
            f"{row['premature_alarms']:>11}{row['suspects_before']:>10}"
            f"{share_text(row['alarmed']):>22}{share_text(row['alarmed_within_200_ms']):>22}"
            f"{'-' if delay is None else f'{1000 * delay:.0f}':>11}"
        )
