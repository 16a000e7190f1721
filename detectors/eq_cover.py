"""The least total cut in whole fader steps that covers what is wanted at some frequencies.

In dB the responses of filters in series add up exactly, so one table holds the whole problem:
what each step of each fader takes at each frequency. The least total cut is then a linear
programme over steps; its answer is brought to whole steps by a search that only ever improves it.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog

Real = NDArray[np.float64]
Steps = NDArray[np.intp]

DEEPER_COSTS = 0.05
"""Each dB that a fader is already down makes its next dB this much dearer, so that a ring between
two faders is shared by both instead of sinking one. Small enough to leave the least total cut to
within a few per cent. Ours."""
WORTH_DB = 8.0
"""A dB at a wanted frequency is worth this much cut. So where the cap keeps the right fader from
giving it, a neighbour helps out, but not half the equaliser for the sake of its tails. Ours."""
MISSING_COSTS = 1e6
"""Price of a dB that is missing although it was found worth its cut. So high that a ten-thousandth
of a dB is dearer than any step: at 1000 a step was saved for 0.0002 dB too little."""
CLOSE_ENOUGH_DB = 0.05
"""Less than this missing counts as reached: no fader has finer steps."""
SURELY_DB = 1e-4
"""How far inside of that the search stays, for what `MISSING_COSTS` lets pass."""


def cover(levels: list[Real], tables: list[Real], wanted: Real) -> Steps:
    """Return which of its levels each fader takes: all that is wanted, at the least cost.

    Parameters
    ----------
    levels : list of ndarray, one a fader, shape (levels,)
        The cuts that the fader can be set to, dB, >= 0, rising; it cannot be above the first.
    tables : list of ndarray, one a fader, shape (levels, wanted)
        What each level takes at each wanted frequency, dB.
    wanted : ndarray, shape (wanted,)
        dB.

    Returns
    -------
    ndarray of int, shape (faders,)
        An index into each fader's levels. What the last level cannot give, or not at a price of
        `WORTH_DB`, stays missing.

    Notes
    -----
    Source: textbook linear programme (covering with convex costs); the prices and the search that
    brings it to whole steps are ours.
    """
    if not levels:
        return np.zeros(0, np.intp)
    start, aim = _rounded_up(levels, tables, wanted)
    return _improved(levels, tables, aim, start)


def _rounded_up(levels: list[Real], tables: list[Real], wanted: Real) -> tuple[Steps, Real]:
    """Solve with fractions of steps by a linear programme.

    Returns what it moves, rounded up to whole steps, and what of the wanted it found worth its cut.
    """
    owner = np.repeat(np.arange(len(levels)), [cuts.size - 1 for cuts in levels])
    if not owner.size:
        return np.zeros(len(levels), np.intp), wanted
    # One variable a step, 0..1: how much of it is used. Later steps cost more, so a fader's steps
    # are used in order without being told.
    cost = np.concatenate([np.diff(_cost(cuts)) for cuts in levels])
    takes = np.concatenate([np.diff(table, axis=0) for table in tables]).T
    still = wanted - sum(table[0] for table in tables)
    with_missing = np.hstack((takes, np.eye(wanted.size)))
    solved = linprog(
        np.concatenate((cost, np.full(wanted.size, WORTH_DB))),
        A_ub=-with_missing,
        b_ub=-still,
        bounds=[(0, 1)] * owner.size + [(0, None)] * wanted.size,
        method="highs",
    )
    if solved.x is None:  # it is bounded and always has a solution; a solver may still give up
        raise ArithmeticError(f"no fader setting was found: {solved.message}")
    used = np.bincount(owner, solved.x[: owner.size], len(levels))
    return np.asarray(np.ceil(used - 1e-6), np.intp), wanted - solved.x[owner.size :]


def _improved(levels: list[Real], tables: list[Real], aim: Real, start: Steps) -> Steps:
    """Move one fader by a step or two, and another against it, as long as that makes it better."""
    chosen = start.copy()
    while True:
        taken = sum(table[n] for table, n in zip(tables, chosen, strict=True))
        moves = _moves(levels, chosen)
        more = np.array([tables[i][n] - tables[i][chosen[i]] for i, n in moves])
        dearer = np.array([_cost(levels[i][n]) - _cost(levels[i][chosen[i]]) for i, n in moves])
        # Every pair of moves, one row and one column each; the first of them is to stay.
        missing = aim - taken - (CLOSE_ENOUGH_DB - SURELY_DB) - more[:, None] - more[None, :]
        price = MISSING_COSTS * np.maximum(missing, 0).sum(axis=-1) + dearer[:, None] + dearer
        owner = np.array([-1, *(i for i, _ in moves[1:])])
        price[(owner[:, None] == owner) & (owner >= 0)] = np.inf
        best = np.unravel_index(np.argmin(price), price.shape)
        if price[best] >= price[0, 0] - 1e-9:
            return chosen
        for at in best:
            if at:
                chosen[moves[at][0]] = moves[at][1]


def _moves(levels: list[Real], chosen: Steps) -> list[tuple[int, int]]:
    """Return fader and new level of every move of up to two steps; first the one that stays."""
    stays = [(0, int(chosen[0]))]
    return stays + [
        (i, int(n + by))
        for i, (cuts, n) in enumerate(zip(levels, chosen, strict=True))
        for by in (-2, -1, 1, 2)
        if 0 <= n + by < cuts.size
    ]


def _cost(cut_db: Real) -> Real:
    return cut_db + DEEPER_COSTS / 2 * cut_db**2
