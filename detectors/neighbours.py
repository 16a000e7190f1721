"""Peak-to-neighbour power ratio: how narrow a line is."""

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.spectrum import to_dbfs
from prehowl.detectors.tracks import Tracks

NEAREST, FARTHEST = 3, 7
"""Neighbours looked at, in bins. Published sets start at 2; bin 2 is still part of the Hann main
lobe of a tone between two bins, so ours start at 3."""

_OFFSETS = np.arange(NEAREST, FARTHEST + 1)
_BESIDE = np.concatenate([-_OFFSETS, _OFFSETS])[:, None]


def places(bins: NDArray[np.intp], bin_count: int | NDArray[np.intp]) -> NDArray[np.intp]:
    """Return the neighbouring bins of some bins, lower ones first, shape (10, tracks).

    Parameters
    ----------
    bins : ndarray of int, shape (tracks,)
    bin_count : int, or ndarray of int of the same shape
        Bins of the spectrum: beyond its ends, the last one is read.
    """
    return np.asarray(np.minimum(np.maximum(bins + _BESIDE, 0), bin_count - 1), np.intp)


def ratio_db(here: NDArray[np.float32], beside: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return what `measure` does, from powers at the bins, (tracks,), and at their `places`."""
    sides = to_dbfs(beside).reshape(2, len(_OFFSETS), -1).mean(axis=1)
    return np.asarray(to_dbfs(here) - np.maximum(sides[0], sides[1]), np.float32)


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
    beside = places(tracks.bin, tracks.power.shape[1])
    return ratio_db(tracks.power[tracks.ch, tracks.bin], tracks.power[tracks.ch, beside])
