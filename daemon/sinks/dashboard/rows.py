"""One row for each channel name, whatever a snapshot or a sheet brings."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from prehowl.daemon.sinks.base import Snapshot
from prehowl.daemon.weak_bands import WeakBands

SILENCE_DBFS = -120.0


def for_rows(snapshot: Snapshot, rows: int) -> Snapshot:
    """Return the snapshot with one row for each name; a row without news is silent and calm."""
    given = len(snapshot.level_dbfs)
    if given == rows:
        return snapshot
    keep = min(given, rows)
    level, peak = np.full((2, rows), SILENCE_DBFS, np.float32)
    suspicion = np.zeros((rows, snapshot.suspicion.shape[1]), np.float32)
    level[:keep], peak[:keep] = snapshot.level_dbfs[:keep], snapshot.peak_dbfs[:keep]
    suspicion[:keep] = snapshot.suspicion[:keep]
    return replace(snapshot, level_dbfs=level, peak_dbfs=peak, suspicion=suspicion)


def weak_rows(known: Mapping[int, WeakBands], numbers: Sequence[int]) -> tuple[frozenset[int], ...]:
    """Return the weak bands (0..30) of each row by its channel number."""
    return tuple(known[n].indices if n in known else frozenset() for n in numbers)
