"""What both fits share: options, howl-free sound to make, a second look at weights, long sums."""

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from prehowl import detectors
from prehowl.daemon.bench import material
from prehowl.detectors.trees import Trees

Reals = NDArray[Any]  # float32 or float64, as it came

SIDE_BY_SIDE = 8
"""Sounds that one engine takes as its channels."""


def fit_options(
    doc: str | None, argv: Sequence[str] | None, *, cases: int, minutes: float, seed: int, out: str
) -> argparse.Namespace:
    """Return the options of a fit: `cases`, `minutes`, `seed`, `out`.

    `out` is a file of `detectors`, wherever the fit is begun. That it can be written is seen now,
    and not when a quarter of an hour's work is done.
    """
    parser = argparse.ArgumentParser(description=doc)
    parser.add_argument("--cases", type=int, default=cases)
    parser.add_argument("--minutes", type=float, default=minutes)
    parser.add_argument("--seed", type=int, default=seed)
    parser.add_argument("--out", type=Path, default=Path(detectors.__path__[0]) / out)
    args = parser.parse_args(argv)
    try:
        args.out.open("a").close()
    except OSError as error:
        parser.error(f"{args.out} cannot be written to: {error.strerror}; name another with --out")
    return args


def howl_free(
    minutes: float, seed: int
) -> tuple[list[material.Excerpt], list[list[material.Excerpt]]]:
    """Return excerpts of the tune split, all and in groups of `SIDE_BY_SIDE`.

    What no single channel can tell from a howl is not among them: it would teach to miss howls.
    """
    planned = material.plan("tune", minutes, seed)
    excerpts = [excerpt for excerpt in planned if excerpt.piece.group != material.APART]
    starts = range(0, len(excerpts), SIDE_BY_SIDE)
    return excerpts, [excerpts[at : at + SIDE_BY_SIDE] for at in starts]


def best_weigh_most(believed: Reals, back: NDArray[np.intp], favour: float) -> Reals:
    """Return weights of rows, one in sum for each ring: it is seen if any of its rows is believed.

    Parameters
    ----------
    believed : ndarray, shape (rows,)
        Nepers, by the last fit.
    back : ndarray of int, shape (rows,)
        Number of the ring of each row, from 0.
    favour : float
        How much more the better rows weigh, per neper.
    """
    best = np.full(int(back.max()) + 1, -np.inf, believed.dtype)
    np.maximum.at(best, back, believed)
    weight = np.exp(favour * (believed - best[back]))
    weight /= np.bincount(back, weight)[back]
    return weight


def sums_in_pieces(trees: Trees, signals: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the sums of rows, shape (rows, signals): all at once would take gigabytes."""
    pieces = [trees.sums(signals[at : at + 100_000]) for at in range(0, len(signals), 100_000)]
    return np.concatenate(pieces)
