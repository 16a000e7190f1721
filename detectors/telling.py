"""When to tell of what stands: once, again when it has become surer, and now and then after."""

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.tracks import Figures

TOLD_EVERY_S = 1.0
"""While it lasts: a ring of the same frequency may only just have been told as over."""


class Telling:
    """Keep what was told of each channel, and when.

    Parameters
    ----------
    channels : int
    look_s : float
        Time from one question to the next, while anything stands.
    """

    def __init__(self, channels: int, look_s: float) -> None:
        self._every = int(np.ceil(TOLD_EVERY_S / look_s))  # looks
        self._number = 0  # of the look
        self._told = np.zeros(channels, np.float32)  # suspicion; 0: nothing yet
        self._told_at = np.zeros(channels, np.intp)  # look

    def begin(self, ch: NDArray[np.intp]) -> None:
        """Take it that on some channels something else stands now."""
        self._told[ch] = 0

    def due(self, ch: NDArray[np.intp], suspicion: Figures) -> NDArray[np.bool_]:
        """Tell which are to be told at this look; they count as told.

        Parameters
        ----------
        ch : ndarray of int, shape (places,)
            A channel once at most.
        suspicion : ndarray of float32, shape (places,)
            0 where there is nothing to tell.
        """
        self._number += 1
        again = self._number - self._told_at[ch] >= self._every
        is_due = (suspicion > 0) & ((suspicion > self._told[ch]) | again)
        self._told[ch[is_due]], self._told_at[ch[is_due]] = suspicion[is_due], self._number
        return np.asarray(is_due)
