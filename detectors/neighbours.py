"""Peak-to-neighbour power ratio: how narrow a line is."""

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.lines import LineView
from prehowl.detectors.spectrum import FLOOR_POWER, to_dbfs

NEAREST, FARTHEST = 3, 7
"""Neighbours looked at, in bins. Published sets start at 2; bin 2 is still part of the Hann main
lobe of a tone between two bins, so ours start at 3."""


def measure(view: LineView) -> NDArray[np.float32]:
    """Return the mean PNPR(w, m) over m = 3..7 on the side where it is smaller.

    PNPR(w, m) = 10 log10(|Y(w)|^2 / |Y(w + 2 pi m / M)|^2), averaged in dB as in the published
    'peakness' (m = 2..7 on each side, both sides required).

    Returns
    -------
    ndarray of float32, shape (lines,), dB

    Notes
    -----
    Source: van Waterschoot & Moonen 2011 (read in full). Taking the smaller side and m = 3..7
    are ours.
    """
    bins = view.power.shape[1]
    flat = view.power.ravel()
    here = view.ch * bins + view.bin
    level = to_dbfs(np.maximum(flat[here], FLOOR_POWER))
    sides = []
    for side in (-1, 1):
        offsets = side * np.arange(NEAREST, FARTHEST + 1)
        neighbour = np.clip(view.bin[:, None] + offsets, 0, bins - 1) + (view.ch * bins)[:, None]
        sides.append(to_dbfs(flat[neighbour]).mean(axis=1))
    return np.asarray(level - np.maximum(sides[0], sides[1]), np.float32)
