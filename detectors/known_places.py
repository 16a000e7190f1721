"""Where a channel has rung before: there it is likelier to ring again, and less evidence is asked.

Of a loop's many modes the same few come first, whoever sings: a howl that is back is the commonest
of all. A place is so narrow that even a much nearer level there adds few false alarms.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

LIKELIER = 5.0
"""So many times as many false ones are borne at a place that rang."""

NEAR_CENTS = 40.0
"""A microphone that moves a little moves the mode by about as much."""

MOST = 6
"""Places a channel, of those that rang and of those told; the older ones are forgotten first."""

NOWHERE = np.inf


class KnownPlaces:
    """Keep the frequencies at which each channel rang.

    Parameters
    ----------
    channels : int
    """

    def __init__(self, channels: int) -> None:
        # Cents over 1 Hz: of each channel what rang while it was watched, and what was told.
        self._cents = np.full((channels, 2, MOST), NOWHERE)
        self._is_any = False

    def add(self, ch: int, frequency_hz: float) -> None:
        """Remember that a channel rang there; a place near by is the same one, and moves."""
        cents = float(_cents(frequency_hz))
        own = self._cents[ch, 0]  # the latest first
        others = own[np.abs(own - cents) >= NEAR_CENTS][: MOST - 1]
        own[:] = NOWHERE
        own[0], own[1 : 1 + len(others)] = cents, others
        self._is_any = True

    def tell(self, ch: int, frequency_hz: Sequence[float]) -> None:
        """Take it that a channel rang there long ago, the latest last, and nowhere else then."""
        latest = _cents(np.asarray(frequency_hz[-MOST:], np.float64))
        self._cents[ch, 1] = NOWHERE
        self._cents[ch, 1, : len(latest)] = latest
        self._is_any |= len(latest) > 0

    def likelier(
        self, ch: NDArray[np.intp], frequency_hz: NDArray[np.floating]
    ) -> NDArray[np.float32]:
        """Return how many times as many false ones are borne at each place: 1 or `LIKELIER`.

        Parameters
        ----------
        ch, frequency_hz : ndarray, shape (places,)
        """
        if not self._is_any:
            return np.ones(len(ch), np.float32)
        away = np.abs(_cents(frequency_hz)[:, None, None] - self._cents[ch])
        is_near = (away < NEAR_CENTS).any(axis=(1, 2))
        return np.where(is_near, np.float32(LIKELIER), np.float32(1))


def _cents(frequency_hz: NDArray[np.floating] | float) -> NDArray[np.float64]:
    return np.asarray(1200 * np.log2(frequency_hz), np.float64)
