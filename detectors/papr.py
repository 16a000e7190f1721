"""Peak-to-average power ratio: how far a line stands above the whole spectrum."""

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.spectrum import FLOOR_POWER
from prehowl.detectors.tracks import Tracks


def measure(tracks: Tracks) -> NDArray[np.float32]:
    """Return PAPR(w) = 10 log10(|Y(w)|^2 / P_y), P_y = (1/M) sum_k |Y(k)|^2 over all M DFT bins.

    Returns
    -------
    ndarray of float32, shape (tracks,), dB

    Notes
    -----
    Source: van Waterschoot & Moonen 2011 (read in full): 33 dB for speech and 55 dB for music
    were their thresholds for a howl. Leaving rumble and an offset out of the average, as they are
    out of the channel's power, is ours.
    """
    twice = 2 * tracks.total.astype(np.float64)  # all bins but the two ends stand for two
    bins = tracks.power.shape[1]
    if 2 * (bins - 1) == tracks.frame_length:  # else its last bin, of no weight, is not kept
        twice -= tracks.power[:, -1]
    average = twice / tracks.frame_length
    peak = np.maximum(tracks.power[tracks.ch, tracks.bin], FLOOR_POWER)
    ratio = peak / np.maximum(average, 2 * float(FLOOR_POWER) / tracks.frame_length)[tracks.ch]
    return np.asarray(10 * np.log10(ratio), np.float32)
