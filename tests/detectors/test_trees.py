"""Sums of trees against a plain walk, and the directions of those that are in use."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from prehowl.detectors.belief import SIGNALS, TREES
from prehowl.detectors.trees import DEPTH, Trees
from prehowl.detectors.weights import BIAS, QUESTIONS

NAMES = tuple(SIGNALS)


def trees_from(seed: int, count: int, names: int) -> Trees:
    """Return random trees."""
    rng = np.random.default_rng(seed)
    return Trees(
        rng.integers(0, names, (count, DEPTH)),
        rng.normal(size=(count, DEPTH)).astype(np.float32),
        rng.normal(size=(count, 2**DEPTH)).astype(np.float32),
        float(rng.normal()),
    )


@settings(max_examples=50)
@given(st.integers(0, 999), st.integers(1, 6), st.integers(1, 4), st.integers(0, 5))
def test_sums_are_those_of_a_plain_walk(seed, count, names, rows):
    """Oracle: slow reference: question by question; the first answer is the highest bit."""
    trees = trees_from(seed, count, names)
    figures = np.random.default_rng(seed + 1).normal(size=(rows, names)).astype(np.float32)
    found = trees.sums(figures)
    assert found.shape == (rows,)
    assert found.dtype == np.float32
    for row in range(rows):
        wanted = trees.bias
        for asked, cuts, heights in zip(trees.figure, trees.cut, trees.height, strict=True):
            answers = "".join(
                "1" if figures[row, name] > cut else "0"
                for name, cut in zip(asked, cuts, strict=True)
            )
            wanted += float(heights[int(answers, 2)])
        assert found[row] == pytest.approx(wanted, abs=1e-4)


def test_a_figure_at_the_cut_is_not_above_it():
    """Oracle: definition: the question is `figure > cut`; worked by hand with three answers."""
    row = (("a", "b", "a"), (1.0, 2.0, 3.0), (0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0))
    trees = Trees.from_rows([row], 10.0, ("a", "b"))
    figures = np.array([[1, 2], [1.5, 2], [1.5, 3], [4, 2], [4, 3]], np.float32)
    np.testing.assert_allclose(trees.sums(figures), [10, 14, 16, 15, 17])


def test_rows_and_trees_are_the_same():
    """Oracle: round trip; the names stand for themselves in any order of columns."""
    again = Trees.from_rows(TREES.rows(NAMES), TREES.bias, NAMES)
    np.testing.assert_array_equal(again.figure, TREES.figure)
    np.testing.assert_allclose(again.cut, TREES.cut, rtol=1e-3)
    np.testing.assert_allclose(again.height, TREES.height, atol=1e-4)
    turned = Trees.from_rows(QUESTIONS, BIAS, NAMES[::-1])
    figures = np.random.default_rng(1).normal(0, 20, (30, len(NAMES))).astype(np.float32)
    np.testing.assert_array_equal(turned.sums(figures[:, ::-1]), TREES.sums(figures))


# the trees in use


def against_direction(trees: Trees, direction: np.ndarray) -> list[tuple[int, int]]:
    """Return tree and question where a `yes` moves the height against the figure's direction."""
    wrong = []
    for number, level in itertools.product(range(len(trees.figure)), range(DEPTH)):
        held = direction[trees.figure[number, level]]
        bit = 1 << (DEPTH - 1 - level)
        no = np.array([leaf for leaf in range(2**DEPTH) if not leaf & bit])
        change = trees.height[number, no | bit] - trees.height[number, no]
        if held and (held * change < -1e-6).any():
            wrong.append((number, level))
    return wrong


def test_no_tree_goes_against_physics():
    """Oracle: exhaustive: every question of every tree, whatever the other answers."""
    assert against_direction(TREES, np.array(list(SIGNALS.values()))) == []


def test_a_tree_against_physics_is_found():
    """Oracle: hand-made: more wander speaks for a ring where it is loud; that is told."""
    heights = (0.0, 0.0, 0.0, 0.0, 1.0, 1.0, 1.5, 1.5)
    trees = Trees.from_rows([(("now", "wander", "growth"), (0.0, 0.0, 0.0), heights)], 0, NAMES)
    assert against_direction(trees, np.array(list(SIGNALS.values()))) == [(0, 1)]


@given(st.integers(0, 2**32 - 1), st.sampled_from([n for n in NAMES if SIGNALS[n]]), st.data())
def test_more_of_a_figure_never_moves_the_sum_the_wrong_way(seed, name, data):
    """Oracle: property, on figures drawn at and around the cuts of the trees."""
    rng = np.random.default_rng(seed)
    row = np.zeros(len(NAMES), np.float32)
    for column in range(len(NAMES)):
        cuts = TREES.cut[TREES.figure == column]
        row[column] = rng.choice(cuts) + rng.normal() if len(cuts) else rng.normal()
    more = row.copy()
    more[NAMES.index(name)] += np.float32(data.draw(st.floats(0, 60)))
    less_sum, more_sum = TREES.sums(np.stack([row, more]))
    assert SIGNALS[name] * (more_sum - less_sum) >= -1e-4


def test_the_trees_ask_about_what_there_is():
    """Oracle: definition: 3 questions, 8 heights, known names; and most figures are used."""
    assert all(len(asked) == DEPTH == len(cuts) for asked, cuts, _ in QUESTIONS)
    assert all(len(heights) == 2**DEPTH for _, _, heights in QUESTIONS)
    used = {name for asked, _, _ in QUESTIONS for name in asked}
    assert used <= set(NAMES)
    assert len(used) > len(NAMES) / 2
