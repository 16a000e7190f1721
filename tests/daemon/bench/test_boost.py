"""Boosted trees: a known rule is found again, and no case can turn a direction."""

import itertools

import numpy as np
import pytest
import scipy.optimize
from hypothesis import given, settings
from hypothesis import strategies as st

from prehowl.daemon.bench.boost import RIDGE, _heights, grow
from prehowl.detectors.trees import DEPTH, Trees

ROWS = 4000


def drawn(seed: int, names: int = 3, rows: int = ROWS) -> np.ndarray:
    """Return random figures, 0..1."""
    return np.random.default_rng(seed).uniform(0, 1, (rows, names)).astype(np.float32)


def grown(figures, is_ring, direction, *, trees=40, weight=None) -> Trees:
    """Return trees grown at a rate of a third."""
    weight = np.ones(len(figures)) if weight is None else weight
    return grow(figures, is_ring, weight, np.asarray(direction, np.int8), trees, 0.3)


def share_right(trees: Trees, figures, is_ring) -> float:
    """Return the share of rows on the right side of even odds."""
    return float(((trees.sums(figures) > 0) == is_ring).mean())


def steps_against(trees: Trees, direction) -> float:
    """Return the largest step of any height against the direction of its question."""
    worst = 0.0
    for number, level in itertools.product(range(len(trees.figure)), range(DEPTH)):
        bit = 1 << (DEPTH - 1 - level)
        for no in (leaf for leaf in range(2**DEPTH) if not leaf & bit):
            step = float(trees.height[number, no | bit] - trees.height[number, no])
            worst = max(worst, -direction[trees.figure[number, level]] * step)
    return worst


def test_a_rule_of_two_figures_is_found_again():
    """Oracle: the rule that made the labels: a over 0.3 while b is under 0.6; c says nothing."""
    figures, fresh = drawn(1), drawn(2)
    trees = grown(figures, (figures[:, 0] > 0.3) & (figures[:, 1] < 0.6), [1, -1, 0])
    assert share_right(trees, fresh, (fresh[:, 0] > 0.3) & (fresh[:, 1] < 0.6)) > 0.97
    first = {int(name): float(cut) for name, cut in zip(trees.figure[0], trees.cut[0], strict=True)}
    assert first[0] == pytest.approx(0.3, abs=0.03)
    assert first[1] == pytest.approx(0.6, abs=0.03)
    assert (trees.figure != 2).mean() > 0.8


def test_what_a_sum_cannot_say_a_tree_can():
    """Oracle: the rule: a figure that means the opposite on the two sides of another one.

    Of two answers that only together say anything, none wins alone: unevenly spread ones do.
    """
    figures, fresh = drawn(3) ** 1.5, drawn(4) ** 1.5

    def rule(rows: np.ndarray) -> np.ndarray:
        return (rows[:, 0] > 0.3) != (rows[:, 1] > 0.3)

    assert share_right(grown(figures, rule(figures), [0, 0, 0]), fresh, rule(fresh)) > 0.95


def test_chances_are_those_of_the_cases():
    """Oracle: closed form: where nothing can be known, the odds are those of all rows: 1 in 5."""
    figures = drawn(5)
    is_ring = np.random.default_rng(6).uniform(size=ROWS) < 0.2
    sums = grown(figures, is_ring, [0, 0, 0], trees=3).sums(figures)
    assert np.median(sums) == pytest.approx(np.log(0.2 / 0.8), abs=0.15)


def test_weights_count_as_so_many_rows():
    """Oracle: invariance: a weight of 3 as three rows, and no account of the weights' scale."""
    figures = drawn(7, rows=1500)
    is_ring = figures[:, 0] + 0.3 * figures[:, 1] > 0.7
    times = np.where(figures[:, 2] > 0.5, 3, 1)
    weighted = grown(figures, is_ring, [1, 1, 0], trees=10, weight=times.astype(float))
    doubled = grown(figures, is_ring, [1, 1, 0], trees=10, weight=times * 20.0)
    np.testing.assert_array_equal(weighted.sums(figures), doubled.sums(figures))
    even = grown(figures, is_ring, [1, 1, 0], trees=10)
    assert not np.array_equal(even.sums(figures), weighted.sums(figures))


def test_a_direction_is_held_against_all_cases():
    """Oracle: the promise: every case says that more of it speaks for a ring; it may not."""
    figures = drawn(8, names=1)
    trees = grown(figures, figures[:, 0] > 0.5, [-1])
    assert np.ptp(trees.sums(figures)) < 1e-5


@settings(max_examples=15)
@given(st.integers(0, 2**32 - 1), st.lists(st.sampled_from([-1, 1]), min_size=3, max_size=3))
def test_no_height_goes_against_its_direction(seed, direction):
    """Oracle: property: labels by chance, by a rule, and by its opposite."""
    rng = np.random.default_rng(seed)
    figures = rng.normal(size=(600, 3)).astype(np.float32)
    score = figures @ rng.normal(size=3) + rng.normal(size=600)
    trees = grown(figures, score > 0, direction, trees=8)
    assert steps_against(trees, direction) == 0


@settings(max_examples=10)
@given(st.integers(0, 2**32 - 1), st.tuples(*[st.sampled_from([-1, 0, 1])] * 3))
def test_heights_are_the_nearest_that_keep_all_directions(seed, directions):
    """Oracle: slow reference: the same least squares with its bounds, by a general solver."""
    rng = np.random.default_rng(seed)
    leaf = rng.integers(0, 8, 60)
    pull, curve = rng.normal(size=60), rng.uniform(0.05, 3, 60) ** 3
    curves = np.bincount(leaf, curve, 8) + RIDGE
    wanted = np.bincount(leaf, pull, 8) / curves
    bounds = [
        {"type": "ineq", "fun": lambda h, no=no, bit=bit, d=d: d * (h[no | bit] - h[no])}
        for bit, d in zip((4, 2, 1), directions, strict=True)
        for no in range(8)
        if d and not no & bit
    ]
    slow = scipy.optimize.minimize(
        lambda h: (curves * (h - wanted) ** 2).sum(),
        np.zeros(8),
        constraints=bounds,
        method="SLSQP",
        options={"ftol": 1e-13, "maxiter": 500},
    )
    np.testing.assert_allclose(_heights(leaf, pull, curve, directions), slow.x, atol=2e-4)


def test_a_step_against_a_direction_is_seen():
    """Oracle: hand-made: guards the check above against passing all."""
    heights = [[0, 0, 0, 0, -0.5, 0, 0, 0]]
    trees = Trees(np.zeros((1, 3), np.intp), np.zeros((1, 3)), np.array(heights, float), 0.0)
    assert steps_against(trees, [1]) == 0.5


def test_few_cases_are_no_rule():
    """Oracle: the documented least weight: ten odd rows at the end get no question of their own."""
    figures = drawn(9, names=1, rows=2000)
    figures[:10] = 2.0
    is_ring = np.random.default_rng(10).uniform(size=2000) < 0.5
    is_ring[:10] = True
    assert (grown(figures, is_ring, [0], trees=10).cut < 1).all()
