"""What a channel, and a place in its spectrum, had been like before something began to rise there.

All resolutions ask the same surveys, so that a short frame knows what long ones have seen.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.lingering import Survey
from prehowl.detectors.longterm import TONE_DB

Figures = NDArray[np.float32]

UNKNOWN_LINES = 12.0
"""While too little has been heard: neither noise nor thick music."""


RUNG_S = 60.0
"""For so long a ring stands in the slow means, and is no sign against itself when it comes back."""

SAME_SHARE = 0.03
"""So near to a ring's frequency, as a share of it, is its place, as for the tracker."""


@dataclass(frozen=True, slots=True)
class Usual:
    """What is usual at some places; arrays of shape (places,)."""

    is_known: NDArray[np.bool_]  # False: too little was heard, the levels mean nothing
    lines: Figures  # how many lines the channel has in the long run
    level_dbfs: Figures  # of a tone at the place
    total_dbfs: Figures  # of the whole channel
    has_rung: NDArray[np.bool_]  # an alarm lately: what is usual on the channel is that ring, too
    before_dbfs: Figures  # where it was at this place, the level before it rose; else inf


@dataclass(frozen=True, slots=True)
class _Rung:
    sample: int
    ch: int
    frequency_hz: float
    before_dbfs: float


class Background:
    """The surveys of the engine, each with the range it answers for."""

    def __init__(self) -> None:
        self._surveys: tuple[tuple[float, Survey], ...] = ()
        self._rung: list[_Rung] = []

    def note_ring(self, sample: int, ch: int, frequency_hz: float, before_dbfs: float) -> None:
        """Remember a ring that was alarmed, and what level there was at its place before."""
        self._rung.append(_Rung(sample, ch, frequency_hz, before_dbfs))

    def forget_rings(self, before_sample: int) -> None:
        """Let go of rings alarmed earlier."""
        if self._rung and self._rung[0].sample < before_sample:
            self._rung = [rung for rung in self._rung if rung.sample >= before_sample]

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
        for rung in self._rung:
            mine = ch == rung.ch
            has_rung |= mine
            here = mine & (
                np.abs(frequency_hz - rung.frequency_hz) < SAME_SHARE * rung.frequency_hz
            )
            before[here] = np.minimum(before[here], rung.before_dbfs)
        return has_rung, before
