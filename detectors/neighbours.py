"""Peak-to-neighbour power ratio: how narrow a line is."""

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.spectrum import to_dbfs
from prehowl.detectors.tracks import Tracks

NEAREST, FARTHEST = 3, 7
"""Neighbours looked at, in bins. Published sets start at 2; bin 2 is still part of the Hann main
lobe of a tone between two bins, so ours start at 3."""

_OFFSETS = np.arange(NEAREST, FARTHEST + 1)[:, None] * np.array([-1, 1])[:, None, None]


def measure(tracks: Tracks) -> NDArray[np.float32]:
    """Return the mean PNPR(w, m) over m = 3..7 on the side where it is smaller.

    PNPR(w, m) = 10 log10(|Y(w)|^2 / |Y(w + 2 pi m / M)|^2), averaged in dB as in the published
    'peakness' (m = 2..7 on each side, both sides required).

    Returns
    -------
    ndarray of float32, shape (tracks,), dB

    Notes
    -----
    Source: van Waterschoot & Moonen 2011 (read in full). Taking the smaller side and m = 3..7
    are ours.
    """
    bins = tracks.power.shape[1]
    flat = tracks.power.ravel()
    base = tracks.ch * bins
    level = to_dbfs(flat[base + tracks.bin])
    neighbour = tracks.bin + _OFFSETS
    inside = np.minimum(np.maximum(neighbour, 0), bins - 1)
    sides = to_dbfs(flat[inside + base]).mean(axis=1)
    return np.asarray(level - np.maximum(sides[0], sides[1]), np.float32)
