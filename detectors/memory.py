"""The last spectra of all channels, kept so that any frequency's past can be read at once.

A ring keeps its frequency (the loop's phase locks it), so its past is the past of its bin: no
line has to be followed from frame to frame, and of all that is kept only the few places that
matter are read.
"""

import numpy as np
from numpy.typing import NDArray

Figures = NDArray[np.float32]


class SpectrumMemory:
    """A ring of the last `frames` power spectra; works in place.

    Parameters
    ----------
    channels, bins, frames : int
        4 * channels * bins * frames bytes are held.
    hop_s : float
        Time between two frames.
    """

    def __init__(self, channels: int, bins: int, frames: int, hop_s: float) -> None:
        self.channels, self.bins, self.frames = channels, bins, frames
        self.hop_s = hop_s
        # Before the first frame there was digital silence.
        self._room = np.zeros((frames, channels, bins), np.float32)
        self._totals = np.zeros((frames, channels), np.float32)
        self._slots = np.tile(np.arange(frames), 2)
        self._at = frames - 1
        self.heard = 0  # frames taken in so far

    def room(self, count: int) -> Figures:
        """Return the room of the next `count` frames, to be written and then handed to `add`.

        What is written there is not copied: at 64 channels that saves a pass over half a million
        bins for each 10 ms. The oldest frames are lost as soon as it is written to.

        Returns
        -------
        ndarray of float32, shape (count, channels, bins)
            A view; `count` must divide `frames`.
        """
        first = (self._at + 1) % self.frames
        return self._room[first : first + count]

    def add(self, power: Figures, total: Figures) -> None:
        """Take in one frame: power of shape (channels, bins), its sum of shape (channels,)."""
        self._at = (self._at + 1) % self.frames
        if power.base is not self._room:  # else it stands there already
            self._room[self._at] = power
        self._totals[self._at] = total
        self.heard += 1

    def at(self, index: NDArray[np.intp], back: int | NDArray[np.intp]) -> Figures:
        """Return the power at flat indices (channel * bins + bin), `back` frames ago.

        `index` and `back` are broadcast against each other.
        """
        return self._power_at(self._slot(back) * (self.channels * self.bins) + index)

    def past(self, index: NDArray[np.intp], back: NDArray[np.intp]) -> Figures:
        """Return powers at flat indices at several times.

        Parameters
        ----------
        index : ndarray of int, shape (places, n)
        back : ndarray of int, shape (places, times) or (1, times)
            Frames ago, 0..frames - 1.

        Returns
        -------
        ndarray of float32, shape (places, times, n)
        """
        start = self._slot(back) * (self.channels * self.bins)
        # In one piece for each of the n: that is how they are worked on.
        return self._power_at(start + index.T[:, :, None]).transpose(1, 2, 0)

    def totals(self, ch: NDArray[np.intp], back: NDArray[np.intp]) -> Figures:
        """Return the summed power of channels, shape (places, times), as `past` does."""
        return self._totals[self._slot(back), ch[:, None]]

    def _slot(self, back: int | NDArray[np.intp]) -> NDArray[np.intp]:
        """Return where in the ring the frame of so many frames ago stands."""
        return self._slots.take(self._at + self.frames - back)  # a tenth of the time of %

    def _power_at(self, places: NDArray[np.intp]) -> Figures:
        # No place is out of range; "clip" only spares the pass that would look for one.
        return np.asarray(self._room.reshape(-1).take(places, mode="clip"), np.float32)
