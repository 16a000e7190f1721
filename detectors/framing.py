"""Cut a stream of blocks of any size into frames, exact to the sample.

Owns the sample memory and the analysis clock. The clock ticks once per *quantum*: a fixed number
of samples, about 10 ms, whatever the block sizes fed in. All frames end on a tick or a fixed
fraction of one, and all of a tick's frames are transformed together, so that chopping the same
samples differently gives the same numbers to the last bit.

    ... |------------------- longest frame -------------------|
                              |------ main frame -------------|
                                           |-- short frame ---|
                                                        quantum^ now
"""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

LOWEST_RATE_HZ = 8_000
HIGHEST_RATE_HZ = 192_000


def quantum_length(rate_hz: int) -> int:
    """Return the samples of one tick: the power of two that is nearest to 10.7 ms.

    512 at 44.1 and 48 kHz, 1024 at 88.2 and 96 kHz: the same spans of time at every usual rate.

    Raises
    ------
    ValueError
        If the rate is outside 8 to 192 kHz.
    """
    if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
        raise ValueError(
            f"sample rate {rate_hz} Hz is outside {LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz; "
            "44100, 48000, 88200 and 96000 are the usual ones"
        )
    return int(2 ** np.round(np.log2(512 * rate_hz / 48_000)))


class SampleMemory:
    """The last samples of every channel, channels first, in one contiguous stretch.

    Works in place, unlike the small states of the howl tests: copying seconds of 64 channels for
    every 10 ms would cost more than the spectra. Four times the needed length is kept, so that the
    tail moves to the front only once in three times `length` samples.
    """

    def __init__(self, channels: int, length: int, quantum: int) -> None:
        self._length = length
        self._quantum = quantum
        self._room = np.zeros((channels, 4 * length), np.float32)
        self._end = length  # starts as if silence had been heard before
        self._waiting = 0  # samples of the quantum under way

    def ticks(self, block: NDArray[np.float32]) -> Iterator[NDArray[np.float32]]:
        """Take in a block; at each full quantum yield the last `length` samples.

        Parameters
        ----------
        block : ndarray of float32, shape (samples, channels)
            Any number of samples, also none.

        Yields
        ------
        ndarray of float32, shape (channels, length)
            A view that is valid until the next one; the newest sample is last.
        """
        taken = 0
        while taken < len(block):
            step = min(self._quantum - self._waiting, len(block) - taken)
            if self._end + step > self._room.shape[1]:
                self._move_to_front()
            self._room[:, self._end : self._end + step] = block[taken : taken + step].T
            self._end += step
            self._waiting += step
            taken += step
            if self._waiting == self._quantum:
                self._waiting = 0
                yield self._room[:, self._end - self._length : self._end]

    def _move_to_front(self) -> None:
        self._room[:, : self._length] = self._room[:, self._end - self._length : self._end]
        self._end = self._length
