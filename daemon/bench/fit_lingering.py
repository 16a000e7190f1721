"""Fit the trees that tell a loop near its limit from a held note, on the bench's tune split only.

Run as `python -m prehowl.daemon.bench.fit_lingering`: makes loops held just under their limit or
at it, rooms among them, and howl-free sound, gathers the engine's own candidates from all, grows
trees and writes `detectors/lingering_weights.py`.
"""

import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.signal import resample_poly

from prehowl.daemon.bench import cases as howls
from prehowl.daemon.bench import material
from prehowl.daemon.bench.boost import grow
from prehowl.daemon.bench.calibrate import Alarm, fitted
from prehowl.daemon.bench.cases import RATE_HZ
from prehowl.daemon.bench.fitting import (
    SIDE_BY_SIDE,
    best_weigh_most,
    fit_options,
    howl_free,
    sums_in_pieces,
)
from prehowl.daemon.bench.held_loops import Found, Loops, Truth, gather, joined, of_loops, truth_of
from prehowl.daemon.bench.protocol import loops as rooms
from prehowl.daemon.bench.specs import Spec, draw_specs
from prehowl.daemon.bench.weights_file import weights_text
from prehowl.detectors.lingering_signals import SIGNALS
from prehowl.detectors.trees import Trees

Figures = NDArray[np.float32]

ROUNDS, TREES, RATE = 3, 300, 0.25
"""On check, at about as many false suspects in music, 100 trees tell rooms at their limit for 73 %
of the time under speech and 18 % under music, 300 for 78 and 34 %. With 600 false suspects double.
"""

HARDEST = 10_000
"""Candidates of howl-free sound that fool the last fit most; they weigh as much as all else."""

FAVOUR_BEST = 1.0
"""As in `fit`."""

HELD_S, ROOM_S = 14.0, 20.0
"""Length of a case that is held at its limit: a line that stays shows what it is after seconds."""

FEW_ROOMS = 2
"""Rooms of one course of the gain."""

PER_HOUR = 3.0
"""False suspects an hour of music that this evidence may bring. In the check split it makes fewer;
what rises makes ten."""

TAIL_COUNTS = (3, 30)
"""As in `calibrate`; suspects are many more than false alarms."""

ROOMS = 120
"""Rooms with speech, and as many with music; some are left out since nobody hears them ring."""

IMPORTANCE = {"nuisance": 0.3}
"""Weight by group, else 1, as in `fit`."""

BESIDE_IMPORTANCE = 2.0
"""Weight of lines of loops that are no mode: those are what stands on a stage that is nearly too
loud, where a suspect at the wrong place does harm. Chosen on check: with 1, 2 and 3 false suspects
beside a ring fall from 13 an hour to 2, 0 and 0, as many held loops are seen, and in music 3.2, 1.1
and 1.1 suspects an hour are left of 3.2 (all with 100 trees, before rooms were learnt)."""


def fit(
    loops: Figures,
    piece: NDArray[np.int64],
    worth: Figures,
    others: Figures,
    importance: Figures,
) -> Trees:
    """Grow the trees; a loop is seen if any of its candidates is believed, as in `fit.fit`.

    Parameters
    ----------
    loops : ndarray, shape (candidates, signals)
        `piece`, shape (candidates,), says of which, and `worth` what that weighs.
    others : ndarray, shape (candidates, signals)
        Of howl-free sound, and of loops where they do not ring.
    importance : ndarray, shape (candidates,)
        Of each of those.
    """
    directions = np.array(list(SIGNALS.values()), np.int8)
    _, back, count = np.unique(piece, return_inverse=True, return_counts=True)
    own = worth.astype(np.float64)
    weight_loops: NDArray[np.float64] = own / count[back]
    chosen = np.arange(len(others))
    weight_others = importance / importance.sum()
    trees = None
    for _ in range(ROUNDS):
        rows = np.concatenate([loops, others[chosen]])
        truth = np.arange(len(rows)) < len(loops)
        weight = np.concatenate([weight_loops / weight_loops.sum(), weight_others])
        trees = grow(rows, truth, weight, directions, TREES, RATE)
        believed = sums_in_pieces(trees, loops).astype(np.float64)
        weight_loops = own * best_weigh_most(believed, back, FAVOUR_BEST)
        hardest = np.argsort(-(sums_in_pieces(trees, others) + np.log(importance)))[:HARDEST]
        chosen = np.concatenate([hardest, np.arange(len(others))])
        halves = (importance[hardest], importance)
        weight_others = np.concatenate([half / half.sum() / 2 for half in halves])
    assert trees is not None
    return trees


def suspect_level(trees: Trees, found: Found, is_music: NDArray[np.bool_], hours: float) -> Alarm:
    """Return the level for `PER_HOUR` in music: its suspects are counted, a semitone and 5 s each.

    Parameters
    ----------
    found : Found
        Candidates of howl-free sound; `is_music` tells which are music.
    hours : float
        Of music.
    """
    belief = sums_in_pieces(trees, found.signals)
    suspects: dict[tuple[int, int, int], float] = {}
    for at in np.flatnonzero(is_music):
        place = round(12 * float(np.log2(found.frequency_hz[at])))
        key = (int(found.item[at]), int(found.time_s[at] / 5), place)
        suspects[key] = max(suspects.get(key, -np.inf), float(belief[at]))
    return fitted(np.array(list(suspects.values())), hours, PER_HOUR, TAIL_COUNTS)


def _loops(specs: tuple[Spec, ...]) -> Loops:
    made = howls.make_batch(specs)
    return of_loops(gather([case.samples for case in made]), [truth_of(case) for case in made])


def rooms_at_limit(orders: Sequence[rooms.Order]) -> Loops:
    """Return the lines of modelled rooms that are held at their limit, to a tenth of a dB."""
    rng = np.random.default_rng(orders[0].seed + 2)
    margin_db = max(0.0, float(rng.uniform(-0.1, 0.1)))
    begins_s = float(rng.uniform(5.0, 9.0))
    course = ((begins_s - float(rng.uniform(0.02, 1.0)), begins_s), (-6.0, -margin_db))

    def gain_db(samples: int) -> NDArray[np.float64]:
        return np.interp(np.arange(samples) / rooms.RATE_HZ, *course)

    made, _ = rooms.simulate(orders, gain_db)
    louder = 10 ** (rng.uniform(-14, 14, len(made)) / 20)
    # At the rate of all else: the trees ask for the frame, and would know the rooms by theirs.
    up = RATE_HZ // rooms.RATE_HZ
    sounds = [
        np.clip(resample_poly(loop.samples * by, up, 1), -1, 1).astype(np.float32)
        for loop, by in zip(made, louder, strict=True)
    ]
    truths = [
        Truth(
            begins_s, loop.modes_hz[:1], loop.is_heard, at_limit=True, others_hz=loop.modes_hz[1:]
        )
        for loop in made
    ]
    return of_loops(gather(sounds), truths)


def _others(excerpts: Sequence[material.Excerpt]) -> Found:
    return gather([material.render(excerpt, RATE_HZ) for excerpt in excerpts])


def main(argv: Sequence[str] | None = None) -> int:
    """Make the sound, gather, fit, calibrate, write."""
    args = fit_options(__doc__, argv, cases=1000, minutes=240, seed=2, out="lingering_weights.py")
    excerpts, groups = howl_free(args.minutes, args.seed)
    drawn = draw_specs("tune", 10 * args.cases, args.seed)
    specs = [spec for spec in drawn if spec.kind == "marginal"][: args.cases]
    specs[::3] = [replace(spec, kind="held", seconds=HELD_S) for spec in specs[::3]]
    orders = rooms.orders("tune", ROOMS, args.seed, ROOM_S)
    few = [orders[at : at + FEW_ROOMS] for at in range(0, len(orders), FEW_ROOMS)]
    with ProcessPoolExecutor(2) as pool:
        others = _numbered(list(pool.map(_others, groups)))
        parts = [*pool.map(_loops, howls.batches(specs)), *pool.map(rooms_at_limit, few)]
    loops = joined([part.held for part in parts])
    starts = np.cumsum([0, *(int(part.piece.max(initial=-1)) + 1 for part in parts)])
    piece = np.concatenate([p.piece + at for p, at in zip(parts, starts, strict=False)])
    worth = np.concatenate([part.worth for part in parts])
    beside = joined([part.elsewhere for part in parts])
    group = np.array([excerpt.piece.group for excerpt in excerpts])
    importance = np.array([IMPORTANCE.get(name, 1.0) for name in group])[others.item]
    no_loops = np.concatenate([others.signals, beside.signals])
    weights = np.concatenate([importance, np.full(len(beside.item), BESIDE_IMPORTANCE)]).astype(
        np.float32
    )
    trees = fit(loops.signals, piece, worth, no_loops, weights)
    is_music = np.isin(group, ("music", "sampled"))
    hours = sum(e.seconds for e, music in zip(excerpts, is_music, strict=True) if music) / 3600
    level = suspect_level(trees, others, is_music[others.item], hours)
    seen = len(np.unique(piece[sums_in_pieces(trees, loops.signals) >= level.level]))
    made_from = (
        f"{len(specs)} loops held under their limit or at it, {len(orders)} rooms at it and\n"
        f"{args.minutes:g} minutes of howl-free sound of the tune split, seed {args.seed}"
    )
    head = (
        "The trees of `lingering`, made by `python -m prehowl.daemon.bench.fit_lingering`.\n\n"
        f"Never by hand. Made from {made_from}.\n"
    )
    levels = f"""
SUSPECT_AT = {level.level:.3f}
\"\"\"Odds at which false suspects in the tune split's music are as rare as was asked.\"\"\"

NEPERS_PER_E_FOLD = {level.nepers_per_e_fold:.3f}
\"\"\"How far the level must go up for e times fewer.\"\"\"
"""
    args.out.write_text(weights_text(trees, tuple(SIGNALS), head, levels), "utf-8")
    sys.stdout.write(
        f"{args.out}: {len(loops.item)} candidates of loops, {len(beside.item)} beside them, "
        f"{len(others.item)} of others; "
        f"{level}; {seen} of {starts[-1]} pieces of audible loops reach it\n"
    )
    return 0


def _numbered(parts: Sequence[Found]) -> Found:
    """Join parts of `SIDE_BY_SIDE` sounds each, or of fewer."""
    return joined(
        [
            replace(part, item=part.item + np.int32(SIDE_BY_SIDE * at))
            for at, part in enumerate(parts)
        ]
    )


if __name__ == "__main__":
    raise SystemExit(main())
