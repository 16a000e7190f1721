"""Fit a sum of small trees of yes/no questions, with the direction of every question held.

Gradient boosting of oblivious trees: all branches of a tree ask the same question on each level,
so that a tree is three questions and eight heights, and all trees can be read off at once. Where
physics gives a figure a direction (more of it speaks for a ring, or against one), no height may
go against it, whatever the cases say.

Source: gradient boosting with Newton steps is textbook matter (Friedman 2001 [from memory]);
oblivious trees are common practice.
"""

from functools import lru_cache
from itertools import product

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.trees import DEPTH, Trees

Figures = NDArray[np.float32]

CUTS = 40
"""Places at which a figure may be asked for: quantiles of what was seen."""
RIDGE = 4.0
LEAST_WEIGHT = 25.0
"""Curvature that a side of a question must carry: a few cases are no rule."""


def grow(
    figures: Figures,
    is_ring: NDArray[np.bool_],
    weight: NDArray[np.float64],
    direction: NDArray[np.int8],
    trees: int,
    rate: float,
) -> Trees:
    """Fit trees by logistic loss.

    Parameters
    ----------
    figures : ndarray, shape (rows, names)
    is_ring : ndarray of bool, shape (rows,)
    weight : ndarray, shape (rows,)
        Of each row; brought to a mean of 1.
    direction : ndarray of int, shape (names,)
        +1: more speaks for a ring; -1: against; 0: either.
    trees : int
    rate : float
        Share of each Newton step that is taken, 0..1.
    """
    names = figures.shape[1]
    cuts = [_cuts(figures[:, name]) for name in range(names)]
    place = np.stack(
        [np.searchsorted(cuts[n], figures[:, n]).astype(np.int16) for n in range(names)]
    )  # figure > cuts[k] exactly where place > k
    weight = weight / weight.mean()
    target = is_ring.astype(np.float64)
    share = float((weight * target).sum() / weight.sum())
    bias = float(np.log(share / (1 - share)))
    score = np.full(len(target), bias)
    chosen, at, heights = [], [], []
    for _ in range(trees):
        chance = 1 / (1 + np.exp(-score))
        pull = weight * (target - chance)
        curve = weight * chance * (1 - chance)
        questions, leaf = _questions(place, cuts, pull, curve, direction)
        held = tuple(int(direction[n]) for n, _ in questions)
        height = rate * _heights(leaf, pull, curve, held)
        score += height[leaf]
        chosen.append([name for name, _ in questions])
        at.append([cuts[name][number] for name, number in questions])
        heights.append(height)
    return Trees(np.array(chosen), np.array(at, np.float32), np.array(heights, np.float32), bias)


def _cuts(values: Figures) -> Figures:
    some = values[:: max(1, len(values) // 50_000)]
    return np.unique(np.quantile(some, np.linspace(0.01, 0.99, CUTS)).astype(np.float32))


def _questions(
    place: NDArray[np.int16],
    cuts: list[Figures],
    pull: NDArray[np.float64],
    curve: NDArray[np.float64],
    direction: NDArray[np.int8],
) -> tuple[list[tuple[int, int]], NDArray[np.intp]]:
    """Choose one question after the other, each the best for all branches together."""
    leaf = np.zeros(len(pull), np.intp)
    questions: list[tuple[int, int]] = []
    for _ in range(DEPTH):
        best, pick = -np.inf, (0, 0)
        branches = int(leaf.max()) + 1
        for name, own in enumerate(cuts):
            gain = _gains(
                place[name], len(own) + 1, leaf, branches, pull, curve, int(direction[name])
            )
            number = int(gain.argmax())
            if gain[number] > best:
                best, pick = float(gain[number]), (name, number)
        questions.append(pick)
        leaf = 2 * leaf + (place[pick[0]] > pick[1])
    return questions, leaf


def _gains(
    place: NDArray[np.int16],
    places: int,
    leaf: NDArray[np.intp],
    branches: int,
    pull: NDArray[np.float64],
    curve: NDArray[np.float64],
    direction: int,
) -> NDArray[np.float64]:
    """Return what each cut of one figure would win, shape (places - 1,)."""
    cell = leaf * places + place
    size = branches * places
    pulls = np.bincount(cell, pull, size).reshape(branches, places).cumsum(axis=1)
    curves = np.bincount(cell, curve, size).reshape(branches, places).cumsum(axis=1)
    below_g, below_h = pulls[:, :-1], curves[:, :-1]
    above_g, above_h = pulls[:, -1:] - below_g, curves[:, -1:] - below_h
    won = below_g**2 / (below_h + RIDGE) + above_g**2 / (above_h + RIDGE)
    won = won - pulls[:, -1:] ** 2 / (curves[:, -1:] + RIDGE)
    if direction:
        # A branch in which the answer would go against the direction has nothing to win.
        against = direction * (below_g / (below_h + RIDGE) - above_g / (above_h + RIDGE)) > 0
        won = np.where(against, 0, won)
    won = won.sum(axis=0)
    fair = (below_h.sum(axis=0) > LEAST_WEIGHT) & (above_h.sum(axis=0) > LEAST_WEIGHT)
    return np.where(fair, won, -np.inf)


def _heights(
    leaf: NDArray[np.intp],
    pull: NDArray[np.float64],
    curve: NDArray[np.float64],
    directions: tuple[int, ...],
) -> NDArray[np.float64]:
    """Return the Newton step of each leaf; where some go against a direction, their mean.

    The weighted isotonic regression on the leaves, by its max-min formula: the largest, over the
    upper sets that hold a leaf, of the least mean of what it shares with a lower set that does
    (Robertson, Wright & Dykstra 1988 [from memory]). Averaging pair by pair creeps to the same
    and never arrives where a leaf of little weight lies between two of much.
    """
    leaves = 1 << DEPTH
    curves = np.bincount(leaf, curve, leaves) + RIDGE
    pulls = np.bincount(leaf, pull, leaves)
    upper = _upper_sets(directions)
    shared = (upper[:, None] & ~upper).astype(np.float64)
    mean = (shared @ pulls) / np.maximum(shared @ curves, RIDGE)
    least = np.where(~upper.T[:, None], mean, np.inf).min(axis=2)
    return np.asarray(np.where(upper.T, least, -np.inf).max(axis=1))


@lru_cache
def _upper_sets(directions: tuple[int, ...]) -> NDArray[np.bool_]:
    """Return all sets of leaves that hold with a leaf all that may not be lower, (sets, leaves)."""
    leaves = 1 << DEPTH
    sets = np.array(list(product((False, True), repeat=leaves)))
    fair = np.ones(len(sets), bool)
    for level, direction in enumerate(directions):
        bit = 1 << (DEPTH - 1 - level)
        no = np.array([leaf for leaf in range(leaves) if not leaf & bit])
        low, high = (no, no | bit) if direction > 0 else (no | bit, no)
        fair &= (sets[:, low] <= sets[:, high]).all(axis=1) | (direction == 0)
    return sets[fair]
