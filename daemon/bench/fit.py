"""Fit the curves by which the engine weighs evidence, on the bench's tune split only.

Run as `python -m prehowl.daemon.bench.fit`: makes howl-free sound and closed-loop cases of the
tune split, gathers the engine's own rows of evidence from both, fits monotone curves by logistic
regression and writes `detectors/weights.py`. The direction of every curve is given by physics;
only its heights are fitted, so a case cannot teach the engine that more wander speaks for a ring.
"""

import argparse
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
import scipy.optimize
from numpy.typing import NDArray

from prehowl.daemon.bench import cases as howls
from prehowl.daemon.bench import material
from prehowl.daemon.bench.cases import RATE_HZ, Case
from prehowl.daemon.bench.specs import Spec, draw_specs
from prehowl.detectors import belief
from prehowl.detectors.engine import ChannelSetup, Engine
from prehowl.detectors.lines import SLOTS
from prehowl.detectors.rises import COLUMN, Rising

Figures = NDArray[np.float32]

DIRECTION = {
    "rise": 1, "needed": 1, "frames": 1, "duration": 1, "residual": -1, "straight": 1, "late": 1,
    "last": 1, "wander": -1, "wander_cents": -1, "share": 1, "pnpr": 1, "relative": 1,
    "ahead": -1, "rest_share": -1, "rest": -1, "company": -1, "phpr": 1,
}  # fmt: skip
"""+1: more of it speaks for a ring."""

KNOTS_AT = (0.01, 0.1, 0.3, 0.5, 0.7, 0.9, 0.98)
"""Quantiles of the rings' rows at which a curve may bend."""

FIXED_KNOTS = {
    "late": (0.5, 0.7, 0.85, 1.0),  # a straight rise has 1, a convex one more: no reward
    "last": (0.3, 0.6, 0.8, 1.0),
    "company": (0.0, 1.0, 1.6, 2.4, 3.5),
}
RIDGE = 1e-3
HARDEST = 40_000
LEAD_IN_S = 0.5
AFTER_TAKEOVER_S = 0.4


@dataclass(frozen=True, slots=True)
class Rows:
    """Rows of evidence with the channel and time they come from."""

    item: NDArray[np.int32]
    time_s: Figures
    figures: Figures  # (rows, columns)

    def only(self, keep: NDArray[np.bool_] | NDArray[np.intp]) -> "Rows":
        """Return some of the rows."""
        return Rows(self.item[keep], self.time_s[keep], self.figures[keep])


def gather_rows(sounds: Sequence[Figures], rate_hz: int = RATE_HZ) -> Rows:
    """Return all rows that the engine's resolutions gather from some mono sounds.

    Parameters
    ----------
    sounds : sequence of ndarray of float32, shape (samples,)
        Run side by side as the channels of one engine; the shorter ones end in silence.
    """
    longest = max(len(sound) for sound in sounds)
    together = np.zeros((longest, len(sounds)), np.float32)
    for number, sound in enumerate(sounds):
        together[: len(sound), number] = sound
    engine = Engine(rate_hz, [ChannelSetup()] * len(sounds))
    item, time_s, figures = [], [], []
    for tick, resolution, power in engine.spectra(together):
        rising = resolution.rising(resolution.advance(power))
        item.append((rising.row // SLOTS).astype(np.int32))
        time_s.append(np.full(len(rising.row), tick * engine.quantum / rate_hz, np.float32))
        figures.append(rising.figures)
    return Rows(np.concatenate(item), np.concatenate(time_s), np.concatenate(figures))


def label(rows: Rows, cases: Sequence[Case]) -> tuple[NDArray[np.int8], NDArray[np.int32]]:
    """Say of each row of howl cases what it is.

    Returns
    -------
    kind : ndarray of int8, shape (rows,)
        1: of a ring, from the crossing until shortly after its takeover; 0: programme before
        anything rings; -1: neither can be said.
    ring : ndarray of int32, shape (rows,)
        Number of the ring, counted over all cases; -1 for none.
    """
    kind = np.full(len(rows.item), -1, np.int8)
    number = np.full(len(rows.item), -1, np.int32)
    frequency = rows.figures[:, COLUMN["frequency_hz"]]
    width = 0.8 / rows.figures[:, COLUMN["frame_s"]]
    count = 0
    for at, case in enumerate(cases):
        mine = np.flatnonzero(rows.item == at)
        near = np.zeros(len(mine), bool)
        t = rows.time_s[mine]
        for ring in case.rings:
            off = np.abs(frequency[mine] - ring.frequency_hz)
            here = off < np.maximum(0.03 * ring.frequency_hz, width[mine])
            near |= here
            if case.spec.kind != "marginal" and ring.takeover_s is not None:
                during = (t > ring.crossing_s) & (t < ring.takeover_s + AFTER_TAKEOVER_S)
                kind[mine[here & during]] = 1
                number[mine[here & during]] = count
            count += 1
        first = min(ring.crossing_s for ring in case.rings) - LEAD_IN_S
        kind[mine[~near & (t < first) & (t > LEAD_IN_S)]] = 0
    return kind, number


class Curves:
    """Piecewise-linear monotone curves, one a signal, and their fit."""

    def __init__(self, rings: Figures) -> None:
        self.knots = {
            name: np.asarray(FIXED_KNOTS.get(name) or _bends(values))
            for name, values in _signals(rings).items()
        }

    def basis(self, figures: Figures) -> Figures:
        """Return the share of each segment that each row has climbed, signed by direction."""
        columns = []
        for name, values in _signals(figures).items():
            knots = self.knots[name]
            for low, high in pairwise(knots):
                climbed = np.clip((values - low) / (high - low), 0, 1)
                columns.append((DIRECTION[name] * climbed).astype(np.float32))
        return np.stack(columns, axis=1)

    def tables(self, steps: NDArray[np.float64]) -> dict[str, tuple[list[float], list[float]]]:
        """Turn the fitted steps into knots and heights."""
        made, at = {}, 0
        for name, knots in self.knots.items():
            mine = steps[at : at + len(knots) - 1] * DIRECTION[name]
            at += len(knots) - 1
            heights = np.concatenate([[0.0], np.cumsum(mine)])
            made[name] = (np.round(knots, 3).tolist(), np.round(heights, 3).tolist())
        return made


def fit_steps(
    basis: Figures, is_ring: Figures, weight: Figures, start: NDArray[np.float64] | None = None
) -> NDArray[np.float64]:
    """Fit non-negative steps and a bias by weighted logistic regression (L-BFGS-B)."""
    columns = basis.shape[1]
    sign = 2 * is_ring - 1
    total = float(weight.sum())

    def loss(p: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        agreed = sign * (basis @ p[:-1].astype(np.float32) + np.float32(p[-1]))
        value = float((weight * np.logaddexp(0, -agreed)).sum()) / total
        pull = -(weight * sign / (1 + np.exp(np.clip(agreed, -50, 50)))) / total
        slope = np.concatenate([basis.T @ pull, [pull.sum()]]).astype(np.float64)
        slope[:-1] += 2 * RIDGE * p[:-1]
        return value + RIDGE * float((p[:-1] ** 2).sum()), slope

    bounds = [(0, None)] * columns + [(None, None)]
    first = np.zeros(columns + 1) if start is None else start
    found = scipy.optimize.minimize(
        loss, first, jac=True, method="L-BFGS-B", bounds=bounds, options={"maxiter": 200}
    )
    return np.asarray(found.x)


def fit(rings: Rows, ring: NDArray[np.int32], others: Rows) -> tuple[Curves, NDArray[np.float64]]:
    """Fit the curves: once on all rows, once more with half the weight on the hardest.

    Every ring counts the same, however many rows it has. Plain regression would serve the many
    easy rows; false alarms come from the few hardest.
    """
    curves = Curves(rings.figures)
    _, back, count = np.unique(ring, return_inverse=True, return_counts=True)
    weight_rings = (1 / count[back] / len(count)).astype(np.float32)
    basis_rings, basis_others = curves.basis(rings.figures), curves.basis(others.figures)
    is_ring = np.concatenate([np.ones(len(basis_rings)), np.zeros(len(basis_others))])
    basis = np.concatenate([basis_rings, basis_others])
    even = np.full(len(basis_others), 1 / len(basis_others), np.float32)
    steps = fit_steps(basis, is_ring.astype(np.float32), np.concatenate([weight_rings, even]))
    score = basis_others @ steps[:-1].astype(np.float32)
    hard = score >= np.sort(score)[-min(HARDEST, len(score))]
    weight = np.where(hard, 0.5 / hard.sum(), 0) + 0.5 * even
    weights = np.concatenate([weight_rings, weight.astype(np.float32)])
    return curves, fit_steps(basis, is_ring.astype(np.float32), weights, steps)


def written(curves: Curves, steps: NDArray[np.float64], made_from: str) -> str:
    """Return the text of `detectors/weights.py`."""
    lines = [
        '"""The curves of `belief`: made by `python -m prehowl.daemon.bench.fit`; never by hand.',
        "",
        f"Made from {made_from}.",
        '"""',
        "",
        f"BIAS = {float(steps[-1]):.3f}",
        "",
        "CURVES: dict[str, tuple[tuple[float, ...], tuple[float, ...]]] = {",
    ]
    for name, (knots, heights) in curves.tables(steps[:-1]).items():
        lines += [
            f'    "{name}": (',
            f"        {tuple(knots)},",
            f"        {tuple(heights)},",
            "    ),",
        ]
    lines += ["}", '"""Signal -> knots and heights in nepers of odds; flat beyond the ends."""', ""]
    return "\n".join(lines)


def _signals(figures: Figures) -> dict[str, Figures]:
    return belief.signals(Rising(np.zeros(len(figures), np.intp), figures))


def _bends(values: Figures) -> NDArray[np.float64]:
    return np.unique(np.round(np.quantile(values.astype(np.float64), KNOTS_AT), 3))


def _joined(parts: Sequence[Rows], sizes: Sequence[int]) -> Rows:
    """Put the rows of several runs together, with items counted on."""
    before = np.concatenate([[0], np.cumsum(sizes)[:-1]]).astype(np.int32)
    items = [part.item + start for part, start in zip(parts, before, strict=True)]
    return Rows(
        np.concatenate(items),
        np.concatenate([part.time_s for part in parts]),
        np.concatenate([part.figures for part in parts]),
    )


def _howl_rows(specs: tuple[Spec, ...]) -> tuple[Rows, Rows, NDArray[np.int32]]:
    batch = howls.make_batch(specs)
    rows = gather_rows([case.samples for case in batch])
    kind, ring = label(rows, batch)
    return rows.only(kind == 1), rows.only(kind == 0), ring[kind == 1]


def _free_rows(excerpts: Sequence[material.Excerpt]) -> Rows:
    return gather_rows([material.render(excerpt, RATE_HZ) for excerpt in excerpts])


def main(argv: Sequence[str] | None = None) -> int:
    """Make the sound, gather, fit, write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=480)
    parser.add_argument("--minutes", type=float, default=90.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, default=Path("detectors/weights.py"))
    args = parser.parse_args(argv)
    excerpts = material.plan("tune", args.minutes, args.seed)
    groups = [excerpts[at : at + 8] for at in range(0, len(excerpts), 8)]
    batches = howls.batches(draw_specs("tune", args.cases, args.seed))
    with ProcessPoolExecutor(2) as pool:
        free = list(pool.map(_free_rows, groups))
        heard = list(pool.map(_howl_rows, batches))
    rings = _joined([rings for rings, _, _ in heard], [0] * len(heard))
    numbers = np.concatenate(
        [number + 1000 * at for at, (_, _, number) in enumerate(heard)]
    ).astype(np.int32)
    others = _joined([*free, *(calm for _, calm, _ in heard)], [0] * (len(free) + len(heard)))
    curves, steps = fit(rings, numbers, others)
    made_from = (
        f"{args.cases} closed-loop cases and {args.minutes:g} minutes of howl-free sound of the "
        f"tune split, seed {args.seed}"
    )
    args.out.write_text(written(curves, steps, made_from), encoding="utf-8")
    told = f"{args.out}: {len(rings.item)} rows of rings, {len(others.item)} of others\n"
    sys.stdout.write(told)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
