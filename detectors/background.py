"""What a channel, and a place in its spectrum, had been like before something began to rise there.

All resolutions ask the same surveys, so that a short frame knows what long ones have seen.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.lingering import Survey
from prehowl.detectors.longterm import TONE_DB
from prehowl.detectors.rings import SAME_SHARE, Ring

Figures = NDArray[np.float32]

UNKNOWN_LINES = 12.0
"""While too little has been heard: neither noise nor thick music."""


RUNG_S = 60.0
"""For so long a ring stands in the slow means, and is no sign against itself when it comes back."""


@dataclass(frozen=True, slots=True)
class Usual:
    """What is usual at some places; arrays of shape (places,)."""

    is_known: NDArray[np.bool_]  # False: too little was heard, the levels mean nothing
    lines: Figures  # how many lines the channel has in the long run
    level_dbfs: Figures  # of a tone at the place
    total_dbfs: Figures  # of the whole channel
    has_rung: NDArray[np.bool_]  # an alarm lately: what is usual on the channel is that ring, too
    before_dbfs: Figures  # where it was at this place, the level before it rose; else inf


class Background:
    """The surveys of the engine, each with the range it answers for."""

    def __init__(self) -> None:
        self._surveys: tuple[tuple[float, Survey], ...] = ()
        self._rung: list[Ring] = []

    def note_ring(self, ring: Ring) -> None:
        """Remember a ring that was alarmed, and so what level there was at its place before."""
        self._rung.append(ring)

    def forget_rings(self, before_sample: int) -> None:
        """Let go of rings that were last seen earlier."""
        if any(ring.seen_sample < before_sample for ring in self._rung):
            self._rung = [ring for ring in self._rung if ring.seen_sample >= before_sample]

    def listen_to(self, surveys: Iterable[tuple[float, Survey]]) -> None:
        """Ask these from now on: width of a bin in hertz and survey, in rising order.

        Each answers from its own range up; the first for all that is lower, too.
        """
        self._surveys = tuple(surveys)

    def at(self, ch: NDArray[np.intp], frequency_hz: Figures) -> Usual:
        """Return what is usual at some places; both arguments of shape (places,)."""
        lines = np.full(len(ch), UNKNOWN_LINES, np.float32)
        level, total = np.zeros((2, len(ch)), np.float32)
        is_known = np.zeros(len(ch), bool)
        for number, (bin_hz, survey) in enumerate(self._surveys):
            from_hz = survey.first_candidate * bin_hz if number else 0
            usual, mine = survey.usual, np.flatnonzero(frequency_hz >= from_hz)
            if usual is None:
                continue
            lines[:] = usual.lines[ch]  # the last survey has the widest range
            place = np.rint(frequency_hz[mine] / bin_hz).astype(np.intp)
            place = np.clip(place, 1, usual.level_dbfs.shape[1] - 2)
            around = np.stack([place - 1, place, place + 1])
            level[mine] = usual.level_dbfs[ch[mine], around].max(axis=0) + TONE_DB
            total[mine] = usual.total_dbfs[ch[mine]]
            is_known[mine] = True
        return Usual(is_known, lines, level, total, *self._where_rung(ch, frequency_hz))

    def _where_rung(
        self, ch: NDArray[np.intp], frequency_hz: Figures
    ) -> tuple[NDArray[np.bool_], Figures]:
        has_rung = np.zeros(len(ch), bool)
        before = np.full(len(ch), np.inf, np.float32)
        for ring in self._rung:
            mine = ch == ring.ch
            has_rung |= mine
            if ring.start_dbfs is not None:
                off_hz = np.abs(frequency_hz - ring.frequency_hz)
                here = mine & (off_hz < SAME_SHARE * ring.frequency_hz)
                before[here] = np.minimum(before[here], ring.start_dbfs)
        return has_rung, before
