"""Peak-to-average power ratio: how far a line stands above the whole spectrum."""

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.lines import LineView
from prehowl.detectors.spectrum import FLOOR_POWER


def measure(view: LineView) -> NDArray[np.float32]:
    """Return PAPR(w) = 10 log10(|Y(w)|^2 / P_y), P_y = (1/M) sum_k |Y(k)|^2 over all M DFT bins.

    Returns
    -------
    ndarray of float32, shape (lines,), dB

    Notes
    -----
    Source: van Waterschoot & Moonen 2011 (read in full): 33 dB for speech and 55 dB for music
    were their thresholds for a howl.
    """
    bins = view.power.shape[1]
    one_sided = view.power.sum(axis=1, dtype=np.float64)
    ends = view.power[:, 0].astype(np.float64) + view.power[:, -1]
    average = (2 * one_sided - ends) / (2 * (bins - 1))
    peak = np.maximum(view.power[view.ch, view.bin], FLOOR_POWER)
    ratio = peak / np.maximum(average, float(FLOOR_POWER) / bins)[view.ch]
    return np.asarray(10 * np.log10(ratio), np.float32)
