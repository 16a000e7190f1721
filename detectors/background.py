"""What was known of a channel and of a place in its spectrum before something began to rise there.

All resolutions ask the same surveys, so that a short frame knows what long ones have seen.
"""

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.lingering import Survey
from prehowl.detectors.longterm import TONE_DB

Figures = NDArray[np.float32]

COLUMNS = ("lingers", "usual_lines", "usual_dbfs", "usual_total_dbfs")
UNKNOWN = (0.0, 40.0, 0.0, 0.0)
"""While too little has been heard: as in loud music, so that nothing is believed too soon."""


class Background:
    """The surveys of the engine, each with the range it answers for."""

    def __init__(self) -> None:
        self._surveys: list[tuple[float, float, Survey]] = []  # from, bin in hertz

    def add(self, from_hz: float, bin_hz: float, survey: Survey) -> None:
        """Let a survey answer for frequencies from `from_hz` up; call in rising order."""
        self._surveys.append((from_hz, bin_hz, survey))

    def at(self, ch: NDArray[np.intp], frequency_hz: Figures) -> Figures:
        """Return what is known of some places.

        Parameters
        ----------
        ch : ndarray of int, shape (places,)
        frequency_hz : ndarray, shape (places,)

        Returns
        -------
        ndarray of float32, shape (places, 4)
            How likely it lingers (nepers, >= 0), how many lines the channel has in the long run,
            the long-term level of a tone there and of the whole channel (dBFS).
        """
        known = np.empty((len(ch), len(COLUMNS)), np.float32)
        known[:] = UNKNOWN
        for from_hz, bin_hz, survey in self._surveys:
            mine = np.flatnonzero(frequency_hz >= from_hz)
            if survey.usual is None or not len(mine):
                continue
            own, last = ch[mine], survey.odds.shape[1] - 2
            place = np.clip(np.rint(frequency_hz[mine] / bin_hz).astype(np.intp), 1, last)
            around = np.stack([place - 1, place, place + 1])
            known[mine, 0] = survey.odds[own, around].max(axis=0)
            known[mine, 2] = survey.usual.level_dbfs[own, around].max(axis=0) + TONE_DB
            known[mine, 3] = survey.usual.total_dbfs[own]
        widest = self._surveys[-1][2].usual if self._surveys else None
        if widest is not None:
            known[:, 1] = widest.lines[ch]
        return known
