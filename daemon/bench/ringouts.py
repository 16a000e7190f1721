"""Ring-outs by the automatic hand on many virtual stages: what is won, lost, and heard rightly.

Owns the run over processes and the figures. Several stages go side by side through one engine;
each has its own session, hand and truth (`prehowl.daemon.ringout.together`).
"""

import json
import multiprocessing
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from prehowl.daemon.bench.intervals import median_interval, wilson
from prehowl.daemon.errors import OutputError
from prehowl.daemon.ringout.state import Plan
from prehowl.daemon.ringout.together import practise

SIDE_BY_SIDE = 8
NEAR_SHARE = 0.9
"""Within a tenth of the best."""

Record = dict[str, Any]


def run_stages(
    stages: int,
    first_seed: int,
    jobs: int,
    plan: Plan,
    done: Callable[[int, int], None],
    dump: "Dump | None" = None,
) -> list[Record]:
    """Ring out `stages` stages with seeds from `first_seed` on and return their records in order.

    Parameters
    ----------
    stages, first_seed, jobs : int
        How many, from which seed, in how many processes.
    plan : Plan
        The same rules for all.
    done : callable
        Told (stages done, stages in all).
    dump : Dump, optional
        Gets the records as they come, so that a run that is stopped is not lost.
    """
    seeds = range(first_seed, first_seed + stages)
    parts = [list(seeds[at : at + SIDE_BY_SIDE]) for at in range(0, stages, SIDE_BY_SIDE)]
    records: list[Record] = []
    with multiprocessing.get_context("spawn").Pool(jobs) as pool:
        for part in pool.imap_unordered(_Part(plan), parts):
            records += part
            if dump is not None:
                dump.add(part)
            done(len(records), stages)
    return sorted(records, key=lambda record: int(record["seed"]))


class _Part:
    """A picklable call of `practise` with one plan."""

    def __init__(self, plan: Plan) -> None:
        self._plan = replace(plan)

    def __call__(self, seeds: Sequence[int]) -> list[Record]:
        return practise(seeds, self._plan)


class Dump:
    """A file that gets one JSON object a stage; where it fails, the run goes on without it.

    Parameters
    ----------
    path : Path
        Added to; made where it is not there yet.

    Raises
    ------
    OutputError
        If it cannot be opened.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._fault: OSError | None = None
        self._append([])
        self.check()

    def add(self, part: Iterable[Record]) -> None:
        """Add records; after a failure nothing is tried any more."""
        if self._fault is None:
            self._append(part)

    def check(self) -> None:
        """Tell of a failure.

        Raises
        ------
        OutputError
            If anything could not be written.
        """
        if self._fault is not None:
            raise OutputError(
                f"--dump {self._path}: cannot be written ({self._fault.strerror}); "
                "choose a file in a folder that is there and has room"
            ) from self._fault

    def _append(self, part: Iterable[Record]) -> None:
        try:
            with self._path.open("a", encoding="utf-8") as file:
                file.writelines(json.dumps(record, allow_nan=False) + "\n" for record in part)
        except OSError as fault:
            self._fault = fault


def figures(records: Sequence[Record]) -> Record:
    """Return the figures of a run, each median with its 95 % interval.

    Stages without any instruction count as 0 dB won.
    """
    truths = [record["truth"] for record in records]
    won = [truth["gain_won_db"] for truth in truths]
    told = sum(truth["instructions"] for truth in truths)
    right = sum(truth["instructions_true"] for truth in truths)
    in_order = sum(truth["instructions_in_order"] for truth in truths)
    return {
        "type": "ringout-bench",
        "stages": len(records),
        "gain_won_db": _spread(won),
        "won_at_least_6_db": _share(sum(db >= 6.0 for db in won), len(won)),
        "best_won_db": _spread([truth["best_won_db"] for truth in truths]),
        "best_won_same_cut_db": _spread([truth["best_won_same_cut_db"] for truth in truths]),
        "share_of_best": _shares(truths, "best_won_db"),
        "share_of_best_same_cut": _shares(truths, "best_won_same_cut_db"),
        "pink_loss_db": _spread([record["pink_loss_db"] for record in records]),
        "best_pink_loss_db": _spread([truth["best_pink_loss_db"] for truth in truths]),
        "faders_pulled": _spread([len(record["cuts_db"]) for record in records]),
        "rings": _spread([len(record["order"]) for record in records]),
        "instructions": told,
        "instructions_true": _share(right, told),
        "instructions_true_and_in_order": _share(in_order, told),
        "stages_with_missed_bands": sum(bool(truth["bands_missed_hz"]) for truth in truths),
        "cuts_too_many": _spread([len(truth["cuts_too_many_hz"]) for truth in truths]),
        "gain_measured": _measured(records),
        "stopped_by": _reasons(records),
    }


def _spread(values: Sequence[float]) -> Record:
    interval = median_interval(values)
    tenth, ninetieth = np.quantile(values, [0.1, 0.9])
    return {
        "median": round(float(np.median(values)), 2),
        "interval": None if interval is None else [round(bound, 2) for bound in interval],
        "tenth": round(float(tenth), 2),
        "ninetieth": round(float(ninetieth), 2),
    }


def _share(hits: int, of: int) -> Record | None:
    if not of:
        return None
    return {
        "hits": hits,
        "of": of,
        "share": round(hits / of, 4),
        "interval": [round(bound, 4) for bound in wilson(hits, of)],
    }


def _shares(truths: Sequence[Record], key: str) -> Record:
    shares = [truth["gain_won_db"] / truth[key] for truth in truths if truth[key] > 0]
    near = sum(share >= NEAR_SHARE for share in shares)
    return {**_spread(shares or [0.0]), "within_a_tenth": _share(near, len(shares))}


def _measured(records: Sequence[Record]) -> Record:
    """Return how far the measured gain lies from the true one, and how often within its bounds."""
    pairs = [
        (
            record["gain_won_db"] - record["truth"]["gain_won_db"],
            record["gain_won_plus_minus_db"],
        )
        for record in records
        if record["gain_won_is_measured"]
    ]
    if not pairs:
        return {"stages": 0}
    inside = sum(abs(error) <= bound for error, bound in pairs)
    return {
        "stages": len(pairs),
        "error_db": _spread([error for error, _ in pairs]),
        "within_its_bounds": _share(inside, len(pairs)),
    }


def _reasons(records: Sequence[Record]) -> dict[str, int]:
    told = [record["stopped_by"] or "nothing" for record in records]
    return {reason: told.count(reason) for reason in sorted(set(told))}


def lines(found: Record) -> Iterator[str]:
    """Yield the figures as lines for a person."""
    rows = [f"{found['stages']} virtual stages, rung out by the automatic hand"]
    for key, words in (
        ("gain_won_db", "gain before feedback won, dB"),
        ("best_won_db", "  best with as many faders, dB"),
        ("best_won_same_cut_db", "  best with no more cut in all, dB"),
        ("share_of_best", "share of the best"),
        ("share_of_best_same_cut", "share of the best with no more cut"),
        ("pink_loss_db", "loss on pink noise, dB"),
        ("faders_pulled", "faders pulled"),
        ("rings", "rings met"),
        ("cuts_too_many", "cuts too many"),
    ):
        one = found[key]
        sure = "" if one["interval"] is None else "{:.2f} to {:.2f}; ".format(*one["interval"])
        rows.append(
            f"{words:<36}{one['median']:6.2f}  "
            f"({sure}tenth {one['tenth']:.2f}, ninetieth {one['ninetieth']:.2f})"
        )
    right = found["instructions_true_and_in_order"]
    if right is not None:
        rows.append(f"instructions true and in order      {right['hits']} of {right['of']}")
    rows.append(f"stopped by   {found['stopped_by']}")
    rows.append(f"stages with a band missed  {found['stages_with_missed_bands']}")
    yield from rows
