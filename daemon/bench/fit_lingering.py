"""Fit the trees that tell a loop near its limit from a held note, on the bench's tune split only.

Run as `python -m prehowl.daemon.bench.fit_lingering`: makes loops held just under their limit or
at it, and howl-free sound, gathers the engine's own candidates from both, grows trees and writes
`detectors/lingering_weights.py`.
"""

import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.bench import cases as howls
from prehowl.daemon.bench import material
from prehowl.daemon.bench.boost import grow
from prehowl.daemon.bench.calibrate import Alarm, fitted
from prehowl.daemon.bench.cases import RATE_HZ, Case
from prehowl.daemon.bench.fitting import (
    SIDE_BY_SIDE,
    best_weigh_most,
    fit_options,
    howl_free,
)
from prehowl.daemon.bench.score import AUDIBLE_DB
from prehowl.daemon.bench.side_by_side import side_by_side
from prehowl.daemon.bench.specs import Spec, draw_specs
from prehowl.daemon.bench.weights_file import weights_text
from prehowl.detectors import lingering
from prehowl.detectors.engine import ChannelSetup, Engine
from prehowl.detectors.trees import Trees

Figures = NDArray[np.float32]

ROUNDS, TREES, RATE = 3, 100, 0.25
HARDEST = 10_000
"""Candidates of howl-free sound that fool the last fit most; they weigh as much as all else."""

FAVOUR_BEST = 1.0
"""As in `fit`."""

SETTLE_S = 0.3
"""After the loop has come to its margin, before its tails are there to be seen."""

HELD_S = 14.0
"""Length of a case that is held at its limit: a line that stays shows what it is after seconds."""

PER_HOUR = 3.0
"""False suspects an hour of music that this evidence may bring. In the check split it makes fewer;
what rises makes ten."""

TAIL_COUNTS = (3, 30)
"""As in `calibrate`; suspects are many more than false alarms."""

IMPORTANCE = {"nuisance": 0.3}
"""Weight by group, else 1, as in `fit`."""

BESIDE_IMPORTANCE = 2.0
"""Weight of lines of loops that are no mode: those are what stands on a stage that is nearly too
loud, where a suspect at the wrong place does harm. Chosen on check: with 1, 2 and 3 false suspects
beside a ring fall from 13 an hour to 2, 0 and 0, as many held loops are seen, and in music 3.2, 1.1
and 1.1 suspects an hour are left of 3.2."""


@dataclass(frozen=True, slots=True)
class Found:
    """Candidates with the sound and time they come from."""

    item: NDArray[np.int32]
    time_s: Figures
    frequency_hz: Figures
    signals: Figures  # (candidates, signals)

    def only(self, keep: NDArray[np.bool_]) -> "Found":
        """Return some of them."""
        return Found(
            self.item[keep], self.time_s[keep], self.frequency_hz[keep], self.signals[keep]
        )


def joined(parts: Sequence[Found]) -> Found:
    """Put candidates together; sounds are counted on from part to part by the caller."""
    return Found(
        np.concatenate([part.item for part in parts]),
        np.concatenate([part.time_s for part in parts]),
        np.concatenate([part.frequency_hz for part in parts]),
        np.concatenate([part.signals for part in parts]),
    )


def gather(sounds: Sequence[Figures], rate_hz: int = RATE_HZ) -> Found:
    """Return what might linger in some mono sounds, run side by side in one engine."""
    together = side_by_side(sounds)
    engine = Engine(rate_hz, [ChannelSetup()] * len(sounds))
    none = np.zeros(0, np.float32)
    parts = [Found(np.zeros(0, np.int32), none, none, np.zeros((0, len(lingering.SIGNALS)), "f4"))]
    for tick, resolution, spectra in engine.spectra(together):
        now = resolution.advance(spectra)
        if resolution.survey is not None and resolution.take_in():
            found = resolution.survey.candidates(now)
            time_s = np.full(len(found.ch), tick * engine.quantum / rate_hz, np.float32)
            hz = (found.place * now.bin_hz).astype(np.float32)
            parts.append(Found(found.ch.astype(np.int32), time_s, hz, found.signals))
    ends = np.array([len(sound) for sound in sounds]) / rate_hz
    whole = joined(parts)
    return whole.only(whole.time_s <= ends[whole.item])


def of_loops(found: Found, cases: Sequence[Case]) -> tuple[Found, Found]:
    """Return what lies at a mode of its loop, held and to be heard, and what lies at none.

    A wedge that is nearly too loud draws out all that is sung into it: vowels stand there as lines
    that howl-free sound does not have.
    """
    held, elsewhere = np.zeros((2, len(found.item)), bool)
    for number, case in enumerate(cases):
        mine = found.item == number
        at_mode = np.zeros(len(found.item), bool)
        for mode_hz in (*(ring.frequency_hz for ring in case.rings), *case.real_hz):
            off = np.abs(found.frequency_hz - mode_hz)
            at_mode |= off < np.maximum(0.02 * mode_hz, 9.0)
        elsewhere |= mine & ~at_mode
        begins = min(ring.crossing_s for ring in case.rings) + SETTLE_S
        if max(ring.loudest_db for ring in case.rings) > -AUDIBLE_DB:
            held |= mine & at_mode & (found.time_s > begins)
    return found.only(held), found.only(elsewhere)


def fit(loops: Figures, loop: NDArray[np.int32], others: Figures, importance: Figures) -> Trees:
    """Grow the trees; a loop is seen if any of its candidates is believed, as in `fit.fit`.

    Parameters
    ----------
    loops : ndarray, shape (candidates, signals)
        `loop`, shape (candidates,), says of which.
    others : ndarray, shape (candidates, signals)
        Of howl-free sound, and of loops where they do not ring.
    importance : ndarray, shape (candidates,)
        Of each of those.
    """
    directions = np.array(list(lingering.SIGNALS.values()), np.int8)
    _, back, count = np.unique(loop, return_inverse=True, return_counts=True)
    weight_loops = 1 / count[back]
    chosen = np.arange(len(others))
    weight_others = importance / importance.sum()
    trees = None
    for _ in range(ROUNDS):
        rows = np.concatenate([loops, others[chosen]])
        truth = np.arange(len(rows)) < len(loops)
        weight = np.concatenate([weight_loops / weight_loops.sum(), weight_others])
        trees = grow(rows, truth, weight, directions, TREES, RATE)
        weight_loops = best_weigh_most(trees.sums(loops).astype(np.float64), back, FAVOUR_BEST)
        hardest = np.argsort(-(trees.sums(others) + np.log(importance)))[:HARDEST]
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
    belief = trees.sums(found.signals)
    suspects: dict[tuple[int, int, int], float] = {}
    for at in np.flatnonzero(is_music):
        place = round(12 * float(np.log2(found.frequency_hz[at])))
        key = (int(found.item[at]), int(found.time_s[at] / 5), place)
        suspects[key] = max(suspects.get(key, -np.inf), float(belief[at]))
    return fitted(np.array(list(suspects.values())), hours, PER_HOUR, TAIL_COUNTS)


def _loops(specs: tuple[Spec, ...]) -> tuple[Found, Found]:
    made = howls.make_batch(specs)
    return of_loops(gather([case.samples for case in made]), made)


def _others(excerpts: Sequence[material.Excerpt]) -> Found:
    return gather([material.render(excerpt, RATE_HZ) for excerpt in excerpts])


def main(argv: Sequence[str] | None = None) -> int:
    """Make the sound, gather, fit, calibrate, write."""
    args = fit_options(__doc__, argv, cases=750, minutes=240, seed=2, out="lingering_weights.py")
    excerpts, groups = howl_free(args.minutes, args.seed)
    drawn = draw_specs("tune", 10 * args.cases, args.seed)
    specs = [spec for spec in drawn if spec.kind == "marginal"][: args.cases]
    specs[::3] = [replace(spec, kind="held", seconds=HELD_S) for spec in specs[::3]]
    with ProcessPoolExecutor(2) as pool:
        others = _numbered(list(pool.map(_others, groups)))
        parts = list(pool.map(_loops, howls.batches(specs)))
    loops = _numbered([held for held, _ in parts])
    beside = joined([elsewhere for _, elsewhere in parts])
    group = np.array([excerpt.piece.group for excerpt in excerpts])
    importance = np.array([IMPORTANCE.get(name, 1.0) for name in group])[others.item]
    no_loops = np.concatenate([others.signals, beside.signals])
    weights = np.concatenate([importance, np.full(len(beside.item), BESIDE_IMPORTANCE)]).astype(
        np.float32
    )
    trees = fit(loops.signals, loops.item, no_loops, weights)
    is_music = np.isin(group, ("music", "sampled"))
    hours = sum(e.seconds for e, music in zip(excerpts, is_music, strict=True) if music) / 3600
    level = suspect_level(trees, others, is_music[others.item], hours)
    seen = len(np.unique(loops.item[trees.sums(loops.signals) >= level.level]))
    made_from = (
        f"{len(specs)} loops held under their limit or at it and {args.minutes:g} minutes of\n"
        f"howl-free sound of the tune split, seed {args.seed}"
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
    args.out.write_text(weights_text(trees, tuple(lingering.SIGNALS), head, levels), "utf-8")
    sys.stdout.write(
        f"{args.out}: {len(loops.item)} candidates of loops, {len(beside.item)} beside them, "
        f"{len(others.item)} of others; "
        f"{level}; {seen} of {len(specs)} loops, audible or not, reach it\n"
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
