"""A sum of small trees of yes/no questions, read off for many rows at once."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Figures = NDArray[np.float32]

DEPTH = 3
"""Questions of a tree. All its branches ask the same ones, so that it is a table of 8 heights."""

Row = tuple[tuple[str, ...], tuple[float, ...], tuple[float, ...]]
"""Names of the figures asked about, where each is cut, height for each pattern of answers."""


@dataclass(frozen=True, slots=True)
class Trees:
    """Questions `figure > cut` and the height for each pattern of answers."""

    figure: NDArray[np.intp]  # (trees, DEPTH) number of the figure asked about
    cut: Figures  # (trees, DEPTH)
    height: Figures  # (trees, 2 ** DEPTH); the first question is the highest bit
    bias: float

    @classmethod
    def from_rows(cls, rows: Sequence[Row], bias: float, names: Sequence[str]) -> "Trees":
        """Make trees from rows of names, cuts and heights."""
        number = {name: place for place, name in enumerate(names)}
        return cls(
            np.array([[number[name] for name in asked] for asked, _, _ in rows], np.intp),
            np.array([cuts for _, cuts, _ in rows], np.float32),
            np.array([heights for _, _, heights in rows], np.float32),
            bias,
        )

    def rows(self, names: Sequence[str]) -> list[Row]:
        """Return names, cuts and heights of each tree, rounded to what matters."""
        return [
            (
                tuple(names[n] for n in figure),
                tuple(float(f"{cut:.4g}") for cut in cuts),
                tuple(round(float(height), 4) for height in heights),
            )
            for figure, cuts, heights in zip(self.figure, self.cut, self.height, strict=True)
        ]

    def sums(self, figures: Figures) -> Figures:
        """Return bias plus the sum of the heights, for figures of shape (rows, names).

        A row alone and the same among others are equal but for rounding.
        """
        # A row a figure: all that one tree asks lies in one piece, which costs a quarter.
        by_figure = np.ascontiguousarray(figures.T)
        leaf = np.zeros((len(self.figure), len(figures)), np.uint8)
        for level in range(DEPTH):
            asked = by_figure.take(self.figure[:, level], axis=0)
            leaf <<= 1
            leaf |= asked > self.cut[:, level, None]
        first = (np.arange(len(self.figure)) << DEPTH)[:, None]
        heights = self.height.reshape(-1).take(first + leaf)
        return np.asarray(self.bias + heights.sum(axis=0), np.float32)
