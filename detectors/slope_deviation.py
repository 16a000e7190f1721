"""Inter-frame magnitude slope deviation: whether the level is straight in dB over time."""

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.tracks import Tracks

FRAMES = 7
"""Q_M; with 7 frames the published rule is |IMSD| <= 0.05."""


def weights(frames: int) -> NDArray[np.float64]:
    """Return the weights that turn `frames + 1` levels, oldest first, into the IMSD.

    The published sum is linear in the levels, so it is one dot product:

        1/(Q-1) sum_{m=1..Q-1} ( 1/Q sum_{j=0..Q-1} [L(t-j) - L(t-Q)] / (Q-j)
                               - 1/m sum_{j=0..m-1} [L(t-j) - L(t-m)] / (m-j) )
    """
    q = frames
    weight = np.zeros(q + 1)  # index = frames ago
    for m in range(1, q):
        for j in range(q):
            weight[j] += 1 / (q * (q - j))
            weight[q] -= 1 / (q * (q - j))
        for j in range(m):
            weight[j] -= 1 / (m * (m - j))
            weight[m] += 1 / (m * (m - j))
    return weight[::-1] / (q - 1)


UNKNOWN_DB = 100.0
"""Answer for what was seen too seldom."""

_WEIGHTS = weights(FRAMES).astype(np.float32)


def measure(tracks: Tracks) -> NDArray[np.float32]:
    """Return the IMSD with Q_M = 7: mean long-term slope minus mean short-term slopes.

    Returns
    -------
    ndarray of float32, shape (tracks,), dB per frame, signed
        0 for any straight line in dB, level or rising; NaN-free: 0 would claim
        straightness for what was seen in fewer than 7 of the last 8 frames; `UNKNOWN_DB` there.

    Notes
    -----
    Source: van Waterschoot & Moonen 2011 (read in full). Scale: dB per hop of this resolution.
    """
    deviation = tracks.level_dbfs[:, -FRAMES - 1 :] @ _WEIGHTS
    known = tracks.present[:, -FRAMES - 1 :].sum(axis=1) >= FRAMES
    return np.asarray(np.where(known, deviation, UNKNOWN_DB), np.float32)
