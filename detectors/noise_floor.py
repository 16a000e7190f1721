"""The steady noise under a programme, per third-octave band: what is left when nobody speaks.

Owns a running low quantile of short-time band levels. Speech and a ring come and go, the noise of
room and microphone stays; the lowest third of some seconds is that noise. The bias of a low
quantile (it lies below the mean by a constant that depends on the frame only) cancels in a
difference of two readings, which is what this is for. Ours; the idea of minimum statistics is
that of R. Martin, IEEE Trans. Speech Audio Proc. 9(5), 2001 (from memory), without its bias
correction.
"""

from collections import deque

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.bands import edges_hz
from prehowl.detectors.spectrum import FLOOR_DBFS, hann

FRAME_S = 0.1
QUANTILE = 0.3
FEWEST_FRAMES = 8


class NoiseFloor:
    """Reads the noise floor of one channel, band by band.

    Parameters
    ----------
    rate_hz : int
    memory_s : float
        Span whose quieter part counts, seconds.
    """

    def __init__(self, rate_hz: int, memory_s: float = 2.0) -> None:
        self._length = max(64, round(FRAME_S * rate_hz))
        self._window = hann(self._length).astype(np.float64)
        frequency = np.fft.rfftfreq(self._length, 1 / rate_hz)
        self._starts = np.searchsorted(frequency, edges_hz())
        self._left = np.zeros(0, np.float64)
        self._frames: deque[NDArray[np.float64]] = deque(maxlen=max(1, round(memory_s / FRAME_S)))

    def feed(self, samples: NDArray[np.float32]) -> None:
        """Take samples of the channel, shape (samples,)."""
        self._left = np.concatenate((self._left, samples))
        while self._left.size >= self._length:
            frame, self._left = self._left[: self._length], self._left[self._length :]
            power = np.abs(np.fft.rfft(frame * self._window)) ** 2
            sums = np.concatenate(([0.0], np.cumsum(power)))
            at = np.minimum(self._starts, power.size)
            self._frames.append(sums[at[1:]] - sums[at[:-1]])

    def read_dbfs(self, leave_out_s: float = 0.0) -> NDArray[np.float64] | None:
        """Return the floor of each band, dBFS, shape (31,), or None while too little was heard.

        Parameters
        ----------
        leave_out_s : float
            The newest span that does not count: a ring that has just begun.

        Returns
        -------
        ndarray of float64, shape (31,)
            -140 where a band is silent or narrower than the frame resolves.
        """
        kept = list(self._frames)
        kept = kept[: len(kept) - round(leave_out_s / FRAME_S)]
        if len(kept) < FEWEST_FRAMES:
            return None
        low = np.quantile(np.array(kept), QUANTILE, axis=0)
        return np.asarray(np.maximum(10 * np.log10(np.maximum(low, 1e-14)), FLOOR_DBFS))

    def forget(self) -> None:
        """Drop what was heard: the gain has changed, or a ring has filled the room."""
        self._frames.clear()
