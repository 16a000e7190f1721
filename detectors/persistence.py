"""Inter-frame peak magnitude persistence: a ring is a peak in frame after frame."""

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.tracks import Tracks

FRAMES = 5
"""Q_M; with 5 frames the published rule is >= 3/5."""


def measure(tracks: Tracks) -> NDArray[np.float32]:
    """Return IPMP(w) = (1/Q_M) sum_j [w is a peak j frames ago], j = 0..Q_M-1, Q_M = 5.

    Returns
    -------
    ndarray of float32, shape (tracks,), 0..1

    Notes
    -----
    Source: van Waterschoot & Moonen 2011 (read in full). Theirs asks for the same bin; ours
    looks at three, since a ring between two bins is highest now in
    one, now in the other.
    """
    return np.asarray(tracks.present[:, -FRAMES:].mean(axis=1), np.float32)
