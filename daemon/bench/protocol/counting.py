"""How the 2025 protocol counts: each frame and bin is an event, and bins come in pairs.

The two bins next to the howl's frequency are right from `TRUE_FROM_S` on; they are one hit if
either fires, and one miss if neither does. Two false bins next to each other are one false alarm.
Hits, misses and false alarms are added up over the files before any share is formed. The first
`SKIPPED_S` are left out; `early` ends `EARLY_S`. After Mounir et al. 2025 (read in full).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float64]
Mask = NDArray[np.bool_]

SKIPPED_S = 2.0
TRUE_FROM_S = 8.5
EARLY_S = 13.5
SPANS = ("full", "early")


@dataclass(frozen=True, slots=True)
class Count:
    """Hits, misses and false alarms."""

    hits: int = 0
    misses: int = 0
    false: int = 0

    def __add__(self, other: "Count") -> "Count":
        return Count(self.hits + other.hits, self.misses + other.misses, self.false + other.false)

    @property
    def precision(self) -> float:
        """Return hits over all that fired; 1 where nothing fired."""
        fired = self.hits + self.false
        return self.hits / fired if fired else 1.0

    @property
    def recall(self) -> float:
        """Return hits over all that should have fired."""
        due = self.hits + self.misses
        return self.hits / due if due else 0.0

    @property
    def f1(self) -> float:
        """Return 2 hits / (2 hits + misses + false alarms)."""
        return 2 * self.hits / max(1, 2 * self.hits + self.misses + self.false)


def count(fired: Mask, end_s: Real, true_bins: tuple[int, int], span: str) -> Count:
    """Count one file.

    Parameters
    ----------
    fired : ndarray of bool, shape (frames, bins)
    end_s : ndarray, shape (frames,)
        When each frame ends.
    true_bins : tuple of int
        Those just below and just above the howl's frequency.
    span : {"full", "early"}
    """
    kept = (end_s >= SKIPPED_S) & (end_s <= (EARLY_S if span == "early" else np.inf))
    shown, when = fired[kept], end_s[kept]
    due = when >= TRUE_FROM_S
    low, high = true_bins
    hit = shown[:, low] | shown[:, high]
    wrong = shown.copy()
    wrong[due, low] = wrong[due, high] = False
    hits = int((hit & due).sum())
    return Count(hits, int(due.sum()) - hits, pairs(wrong))


def pairs(fired: Mask) -> int:
    """Count marks, neighbours in a frame as one: a run of n bins is n / 2, rounded up."""
    bordered = np.zeros((fired.shape[0], fired.shape[1] + 2), np.int8)
    bordered[:, 1:-1] = fired
    step = np.diff(bordered, axis=1).ravel()
    length = np.flatnonzero(step == -1) - np.flatnonzero(step == 1)
    return int(((length + 1) // 2).sum())


def area(counts: list[Count]) -> float:
    """Return the area under the curve of precision against recall, by trapezia.

    From recall 0 at the precision of the strictest point, over points in order of recall; 0 for
    what is never reached. (The protocol interpolates between its 21 points; ours are denser.)
    """
    best: dict[float, float] = {}
    for one in counts:
        best[one.recall] = max(best.get(one.recall, 0.0), one.precision)
    recalls = sorted(best)
    if not recalls or recalls[-1] == 0:
        return 0.0
    precisions = [best[r] for r in recalls]
    if recalls[0] > 0:
        recalls, precisions = [0.0, *recalls], [precisions[0], *precisions]
    heights = np.array(precisions)
    return float(np.sum(np.diff(recalls) * (heights[1:] + heights[:-1]) / 2))
