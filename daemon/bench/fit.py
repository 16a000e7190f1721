"""Fit the trees by which the engine weighs evidence, on the bench's tune split only.

Run as `python -m prehowl.daemon.bench.fit`: makes howl-free sound and closed-loop cases of the
tune split, gathers the engine's own rows of evidence from both, grows trees of questions and
writes `detectors/weights.py`. The direction of every question is given by physics, so a case
cannot teach the engine that more wander speaks for a ring.

A ring is seen if any one of its rows is believed, and howl-free sound is spoilt by its one worst
row. So the fit is repeated: each time a ring's most believed rows, and the most believed rows of
all else, weigh most.
"""

import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.bench import cases as howls
from prehowl.daemon.bench import material
from prehowl.daemon.bench.boost import grow
from prehowl.daemon.bench.calibrate import Alarm, alarm_level
from prehowl.daemon.bench.cases import RATE_HZ, Case
from prehowl.daemon.bench.fitting import best_weigh_most, fit_options, howl_free, sums_in_pieces
from prehowl.daemon.bench.side_by_side import side_by_side
from prehowl.daemon.bench.specs import Spec, draw_specs
from prehowl.daemon.bench.weights_file import weights_text
from prehowl.detectors import belief
from prehowl.detectors.engine import ChannelSetup, Engine
from prehowl.detectors.rises import COLUMN, Rising
from prehowl.detectors.trees import Trees

Figures = NDArray[np.float32]

ROUNDS = 4
TREES, FIRST_TREES = 120, 60
RATE, FIRST_RATE = 0.15, 0.3
EASY, HARDEST = 80_000, 40_000
"""Rows of howl-free sound in a fit: drawn at random, and those that fool the last fit most."""

FAVOUR_BEST = 1.5
"""Per neper of belief, how much more the better rows of a ring weigh."""

FAST_GRACE_S = 0.1
"""Rings faster than 100 dB/s may be alarmed this long after their takeover."""

LEAD_IN_S = 0.6

IMPORTANCE = {"nuisance": 0.5}
"""Weight of a row of howl-free sound by its group, else 1: more false alarms are borne in sounds
made to fool than in music and speech."""


@dataclass(frozen=True, slots=True)
class Rows:
    """Rows of evidence with the sound and time they come from."""

    item: NDArray[np.int32]
    time_s: Figures
    signals: Figures  # (rows, signals), as `belief.signals` gives them
    frequency_hz: Figures
    frame_s: Figures

    def only(self, keep: NDArray[np.bool_] | NDArray[np.intp]) -> "Rows":
        """Return some of the rows."""
        return Rows(
            self.item[keep],
            self.time_s[keep],
            self.signals[keep],
            self.frequency_hz[keep],
            self.frame_s[keep],
        )


def gather_rows(sounds: Sequence[Figures], rate_hz: int = RATE_HZ) -> Rows:
    """Return all rows that the engine's resolutions gather from some mono sounds.

    Parameters
    ----------
    sounds : sequence of ndarray of float32, shape (samples,)
        Run side by side as the channels of one engine; the shorter ones end in silence.
    """
    together = side_by_side(sounds)
    engine = Engine(rate_hz, [ChannelSetup()] * len(sounds))
    parts = []
    for tick, resolution, spectra in engine.spectra(together):
        now = resolution.advance(spectra)
        if resolution.is_judged:
            parts.append(_rows(resolution.rising(now), tick * engine.quantum / rate_hz))
    ends = np.array([len(sound) for sound in sounds]) / rate_hz
    rows = joined(parts)
    return rows.only(rows.time_s <= ends[rows.item])


def _rows(rising: Rising, time_s: float) -> Rows:
    return Rows(
        rising.ch.astype(np.int32),
        np.full(len(rising.ch), time_s, np.float32),
        belief.signals(rising),
        rising.figures[:, COLUMN["frequency_hz"]],
        rising.figures[:, COLUMN["frame_s"]],
    )


def joined(parts: Sequence[Rows]) -> Rows:
    """Put rows together."""
    return Rows(
        np.concatenate([part.item for part in parts]),
        np.concatenate([part.time_s for part in parts]),
        np.concatenate([part.signals for part in parts]),
        np.concatenate([part.frequency_hz for part in parts]),
        np.concatenate([part.frame_s for part in parts]),
    )


def label(rows: Rows, cases: Sequence[Case]) -> tuple[NDArray[np.int8], NDArray[np.int32]]:
    """Say of each row of howl cases what it is.

    Returns
    -------
    kind : ndarray of int8, shape (rows,)
        1: of a ring, from the crossing until it must be alarmed; 0: programme before anything
        rings; -1: neither can be said.
    ring : ndarray of int32, shape (rows,)
        Number of the ring, counted over all cases; -1 for none.
    """
    kind = np.full(len(rows.item), -1, np.int8)
    number = np.full(len(rows.item), -1, np.int32)
    count = 0
    for at, case in enumerate(cases):
        mine = np.flatnonzero(rows.item == at)
        near = np.zeros(len(mine), bool)
        t = rows.time_s[mine]
        for ring in case.rings:
            here = _is_at(rows.only(mine), ring.frequency_hz)
            near |= here
            if ring.takeover_s is not None:  # it has none where the loop is held
                grace = FAST_GRACE_S if ring.growth_db_per_s > 100 else 0.0
                during = (t > ring.crossing_s) & (t <= ring.takeover_s + grace)
                kind[mine[here & during]] = 1
                number[mine[here & during]] = count
            count += 1
        for frequency_hz in case.real_hz:
            near |= _is_at(rows.only(mine), frequency_hz)
        first = min(ring.crossing_s for ring in case.rings)
        kind[mine[~near & (t < first - 0.3) & (t > LEAD_IN_S)]] = 0
    return kind, number


def _is_at(rows: Rows, frequency_hz: float) -> NDArray[np.bool_]:
    off = np.abs(rows.frequency_hz - frequency_hz)
    return np.asarray(off < np.maximum(0.03 * frequency_hz, 0.8 / rows.frame_s))


def fit(rings: Figures, ring: NDArray[np.int32], others: Figures, importance: Figures) -> Trees:
    """Grow the trees: see the head of this file.

    Parameters
    ----------
    rings : ndarray, shape (rows, signals)
        Rows of rings; `ring`, shape (rows,), says of which.
    others : ndarray, shape (rows, signals)
        Rows of what is no ring.
    importance : ndarray, shape (rows,)
        Of each of those.
    """
    _, back, count = np.unique(ring, return_inverse=True, return_counts=True)
    easy = np.random.default_rng(2).choice(len(others), min(EASY, len(others)), replace=False)
    chosen = easy
    weight_rings = 1 / count[back]
    weight_others = importance[easy].astype(np.float64)
    direction = np.array(list(belief.SIGNALS.values()), np.int8)
    for turn in range(ROUNDS):
        last = turn == ROUNDS - 1
        trees = grow(
            np.concatenate([rings, others[chosen]]),
            np.repeat([True, False], [len(rings), len(chosen)]),
            np.concatenate(
                [weight_rings / weight_rings.sum(), weight_others / weight_others.sum()]
            ),
            direction,
            TREES if last else FIRST_TREES,
            RATE if last else FIRST_RATE,
        )
        weight_rings = best_weigh_most(trees.sums(rings), back, FAVOUR_BEST)
        hard = np.argsort(-(sums_in_pieces(trees, others) + np.log(importance)))[:HARDEST]
        chosen = np.concatenate([hard, easy])
        shares = [importance[rows] / importance[rows].sum() for rows in (hard, easy)]
        weight_others = np.concatenate(shares).astype(np.float64)
    return trees


def written(trees: Trees, alarm: Alarm, made_from: str) -> str:
    """Return the text of `detectors/weights.py`."""
    head = (
        "The trees of `belief`: made by `python -m prehowl.daemon.bench.fit`; never by hand.\n\n"
        f"Made from {made_from}.\n"
    )
    levels = f"""
ALARM_AT = {alarm.level:.3f}
\"\"\"Belief at which false alarms in the tune split are as rare as `calibrate` asks.\"\"\"

NEPERS_PER_E_FOLD = {alarm.nepers_per_e_fold:.3f}
\"\"\"How far the level must go up for e times fewer false alarms.\"\"\"
"""
    return weights_text(trees, tuple(belief.SIGNALS), head, levels)


def _howl_rows(specs: tuple[Spec, ...]) -> tuple[Rows, Rows, NDArray[np.int32]]:
    batch = howls.make_batch(specs)
    rows = gather_rows([case.samples for case in batch])
    kind, ring = label(rows, batch)
    return rows.only(kind == 1), rows.only(kind == 0), ring[kind == 1]


def _free_rows(excerpts: Sequence[material.Excerpt]) -> tuple[Rows, Figures]:
    """Return the rows of some howl-free sounds, and the importance of each."""
    rows = gather_rows([material.render(excerpt, RATE_HZ) for excerpt in excerpts])
    rows = rows.only(rows.time_s > LEAD_IN_S)
    weights = [IMPORTANCE.get(excerpt.piece.group, 1.0) for excerpt in excerpts]
    return rows, np.asarray(weights, np.float32)[rows.item]


def main(argv: Sequence[str] | None = None) -> int:
    """Make the sound, gather, fit, calibrate, write."""
    args = fit_options(__doc__, argv, cases=1100, minutes=400, seed=1, out="weights.py")
    _, groups = howl_free(args.minutes, args.seed)
    batches = howls.batches(draw_specs("tune", args.cases, args.seed))
    with ProcessPoolExecutor(2) as pool:
        free = list(pool.map(_free_rows, groups))
        heard = list(pool.map(_howl_rows, batches))
    rings = joined([rings for rings, _, _ in heard])
    numbers = np.concatenate([own + 1000 * at for at, (_, _, own) in enumerate(heard)])
    calm = joined([calm for _, calm, _ in heard])
    others = joined([*(rows for rows, _ in free), calm])
    importance = np.concatenate([*(own for _, own in free), np.ones(len(calm.item), np.float32)])
    trees = fit(rings.signals, numbers.astype(np.int32), others.signals, importance)
    with ProcessPoolExecutor(2) as pool:
        alarm = alarm_level(pool, howl_free(args.minutes, args.seed + 1)[1], trees)
    made_from = (
        f"{args.cases} closed-loop cases and {args.minutes:g} minutes of howl-free sound of the "
        f"tune\nsplit, seed {args.seed}; the alarm's level from as many other minutes of it"
    )
    args.out.write_text(written(trees, alarm, made_from), encoding="utf-8")
    told = f"{args.out}: {len(rings.item)} rows of rings, {len(others.item)} of others; {alarm}\n"
    sys.stdout.write(told)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
