"""Follow spectral peaks from frame to frame as lines, each with a short history.

A ring keeps its frequency (the loop's phase locks it), so a line that stays within a fraction of
a bin is what all tests with a memory look at. Voices glide away and their lines end soon.

Every channel has a fixed number of slots; a slot holds one line or nothing. Histories are kept
in arrays twice as long as needed, each value written twice, so that the last n frames are always
one contiguous stretch and no history is ever shifted. The state works in place: 64 channels times
24 slots times 64 frames of history are copied by nobody.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.peaks import Peaks, locate

SLOTS = 24
"""Lines followed at once on a channel: a singer's partials and a band's notes leave room for a
quiet ring."""

SLOW_STEP = 4
"""The slow history keeps one mean of this many frames."""

CATCH_BINS = 0.6
"""A peak this near continues a line."""

RECENT_S = 0.6
"""Time constant of the channel's recent power: about the RMS over a second."""

PULL = np.float32(0.25)
"""How fast a line's idea of its frequency follows its peaks."""


class History:
    """The last `length` values of three figures for every line."""

    def __init__(self, lines: int, length: int) -> None:
        self.length = length
        self._at = 0
        self._level = np.full((lines, 2 * length), -140, np.float32)
        self._position = np.zeros((lines, 2 * length), np.float32)
        self._present = np.zeros((lines, 2 * length), np.float32)

    def forget(self, rows: NDArray[np.intp]) -> None:
        """Empty the history of the given lines."""
        self._present[rows] = 0

    def add(
        self,
        level: NDArray[np.float32],
        position: NDArray[np.float32],
        present: NDArray[np.float32],
    ) -> None:
        """Append one value for every line."""
        for at in (self._at, self._at + self.length):
            self._level[:, at] = level
            self._position[:, at] = position
            self._present[:, at] = present
        self._at = (self._at + 1) % self.length

    def last(
        self, rows: NDArray[np.intp], frames: int
    ) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
        """Return level (dBFS), position (bins) and presence (0..1), each (rows, frames).

        Oldest first; where presence is 0 the line did not exist or was hidden.
        """
        end = self._at + self.length
        span = slice(end - frames, end)
        return self._level[rows, span], self._position[rows, span], self._present[rows, span]


@dataclass(frozen=True, slots=True)
class LineView:
    """The lines that the howl tests look at, after one frame.

    Arrays over lines have shape (lines,), histories (lines, frames) with the newest frame last.
    """

    power: NDArray[np.float32]  # (channels, bins) spectrum of this frame
    bin_hz: float
    hop_s: float
    row: NDArray[np.intp]  # slot number, identifies a line while it lives
    ch: NDArray[np.intp]
    bin: NDArray[np.intp]  # highest bin
    position: NDArray[np.float32]  # smoothed, bins
    level_dbfs: NDArray[np.float32]
    age: NDArray[np.int32]  # frames since birth
    lift_db: NDArray[np.float32]  # level above the line's own mean of the last frames
    fast: History
    slow: History  # one value per SLOW_STEP frames
    fast_total: NDArray[np.float32]  # (channels, frames) summed power, newest last
    slow_total: NDArray[np.float32]  # the same in the steps of the slow history
    recent_power: NDArray[np.float32]  # (channels,) summed power, averaged over about a second

    slow_is_new: bool  # the slow history was extended by this frame

    @property
    def frequency_hz(self) -> NDArray[np.float32]:
        """Smoothed frequency of each line."""
        return np.asarray(self.position * np.float32(self.bin_hz), np.float32)

    def only(self, lines: NDArray[np.intp]) -> "LineView":
        """Return the view of some of the lines, given by their place in the arrays."""
        return replace(
            self,
            row=self.row[lines],
            ch=self.ch[lines],
            bin=self.bin[lines],
            position=self.position[lines],
            level_dbfs=self.level_dbfs[lines],
            age=self.age[lines],
            lift_db=self.lift_db[lines],
        )


class Lines:
    """Follow the peaks of all channels in one resolution."""

    def __init__(
        self,
        channels: int,
        bins: int,
        *,
        fast_frames: int,
        slow_frames: int,
        patience: int,
        hop_s: float,
    ) -> None:
        rows = channels * SLOTS
        self.channels, self.bins = channels, bins
        self.patience = patience  # frames a line may stay hidden before its slot is freed
        self.alive = np.zeros(rows, bool)
        self.position = np.zeros(rows, np.float32)
        self.level_dbfs = np.full(rows, -140, np.float32)
        self.age = np.zeros(rows, np.int32)
        self.hidden = np.zeros(rows, np.int32)  # frames in a row without a peak
        self.fast = History(rows, fast_frames)
        self.slow = History(rows, slow_frames)
        self._row_ch = np.repeat(np.arange(channels), SLOTS)
        self._peak_at = np.full(channels * bins, -1, np.int32)
        self._sums = np.zeros((3, rows), np.float32)
        self._mean_db = np.zeros(rows, np.float32)
        self._frames = 0
        self._fast_total = np.zeros((channels, fast_frames), np.float32)
        self._slow_total = np.zeros((channels, slow_frames), np.float32)
        self._recent = np.zeros(channels, np.float32)
        self._recent_step = np.float32(1 - np.exp(-hop_s / RECENT_S))

    def step(self, power: NDArray[np.float32], peaks: Peaks) -> None:
        """Continue, begin and end lines with the peaks of one frame.

        Parameters
        ----------
        power : ndarray of float32, shape (channels, bins)
            The frame's spectrum: the level of hidden lines is read from it.
        peaks : Peaks
            Of the same frame.
        """
        taken = self._continue(power, peaks)
        self._begin(peaks, taken)
        self._remember()
        self._remember_totals(power.sum(axis=1))

    def _remember_totals(self, total: NDArray[np.float32]) -> None:
        self._fast_total[:, :-1] = self._fast_total[:, 1:]
        self._fast_total[:, -1] = total
        self._recent += self._recent_step * (total - self._recent)
        if self._frames % SLOW_STEP == 0:
            self._slow_total[:, :-1] = self._slow_total[:, 1:]
            self._slow_total[:, -1] = self._fast_total[:, -SLOW_STEP:].mean(axis=1)

    def _continue(self, power: NDArray[np.float32], peaks: Peaks) -> NDArray[np.bool_]:
        rows = np.flatnonzero(self.alive)
        flat_bins = peaks.ch * self.bins + peaks.bin
        self._peak_at[flat_bins] = np.arange(len(flat_bins))
        here = self._row_ch[rows] * self.bins + np.rint(self.position[rows]).astype(np.intp)
        best = np.full(len(rows), -1, np.int32)
        distance = np.full(len(rows), np.float32(CATCH_BINS))
        for shift in (0, -1, 1):
            number = self._peak_at[here + shift]
            away = np.abs(peaks.position[number] - self.position[rows]) if len(flat_bins) else None
            if away is not None:
                better = (number >= 0) & (away < distance)
                best[better], distance[better] = number[better], away[better]
        self._peak_at[flat_bins] = -1
        best = self._one_line_a_peak(rows, best)
        found = best >= 0
        taken = np.zeros(len(flat_bins), bool)
        taken[best[found]] = True
        self._update(rows[found], peaks, best[found])
        self._hide(rows[~found], power)
        return taken

    def _one_line_a_peak(
        self, rows: NDArray[np.intp], best: NDArray[np.int32]
    ) -> NDArray[np.int32]:
        """Where two lines claim a peak, leave it to the older one."""
        order = np.lexsort((-self.age[rows], best))
        claimed = best[order]
        second = np.flatnonzero((claimed[1:] == claimed[:-1]) & (claimed[1:] >= 0)) + 1
        best[order[second]] = -1
        return best

    def _update(self, rows: NDArray[np.intp], peaks: Peaks, numbers: NDArray[np.int32]) -> None:
        self.position[rows] += PULL * (peaks.position[numbers] - self.position[rows])
        self.level_dbfs[rows] = peaks.level_dbfs[numbers]
        self.hidden[rows] = 0
        self._position_now = self.position.copy()
        self._position_now[rows] = peaks.position[numbers]

    def _hide(self, rows: NDArray[np.intp], power: NDArray[np.float32]) -> None:
        self.hidden[rows] += 1
        bins = np.rint(self.position[rows]).astype(np.intp)
        self.level_dbfs[rows] = locate(power, self._row_ch[rows], bins).level_dbfs
        # A line that was hidden as long as it was seen was a chance; let go of it early.
        gone = rows[self.hidden[rows] > np.minimum(self.patience, self.age[rows] // 2)]
        self.alive[gone] = False

    def _begin(self, peaks: Peaks, taken: NDArray[np.bool_]) -> None:
        fresh = np.flatnonzero(~taken)
        if not len(fresh):
            return
        # Loudest first into the free slots of their channel.
        order = fresh[np.lexsort((-peaks.level_dbfs[fresh], peaks.ch[fresh]))]
        ch = peaks.ch[order]
        rank = np.arange(len(order)) - np.searchsorted(ch, ch)
        free = np.argsort(self.alive.reshape(self.channels, SLOTS), axis=1, kind="stable")
        count = SLOTS - self.alive.reshape(self.channels, SLOTS).sum(axis=1)
        fits = rank < count[ch]
        order, ch, rank = order[fits], ch[fits], rank[fits]
        rows = ch * SLOTS + free[ch, rank]
        self.fast.forget(rows)
        self.slow.forget(rows)
        self._sums[:, rows] = 0
        self.alive[rows] = True
        self.age[rows] = 0
        self.hidden[rows] = 0
        self.position[rows] = peaks.position[order]
        self._position_now[rows] = peaks.position[order]
        self.level_dbfs[rows] = peaks.level_dbfs[order]

    def _remember(self) -> None:
        present = (self.alive & (self.hidden == 0)).astype(np.float32)
        self.age[self.alive] += 1
        # A plain mean at first, then one with a memory of half the fast history.
        weight = 1 / np.minimum(np.maximum(self.age, 1), self.fast.length // 2)
        self._mean_db += weight.astype(np.float32) * (self.level_dbfs - self._mean_db)
        self.fast.add(self.level_dbfs, self._position_now, present)
        self._sums += (self.level_dbfs * present, self._position_now * present, present)
        self._frames += 1
        if self._frames % SLOW_STEP == 0:
            level, position, seen = self._sums
            share = np.asarray(1 / np.maximum(seen, 1), np.float32)
            enough = np.asarray(seen > SLOW_STEP / 2, np.float32)
            self.slow.add(level * share, position * share, enough)
            self._sums[:] = 0

    def view(
        self, power: NDArray[np.float32], *, bin_hz: float, hop_s: float, youngest: int
    ) -> LineView:
        """Return the living lines that are at least `youngest` frames old."""
        row = np.flatnonzero(self.alive & (self.age >= youngest))
        return LineView(
            power=power,
            bin_hz=bin_hz,
            hop_s=hop_s,
            row=row,
            ch=self._row_ch[row],
            bin=np.rint(self.position[row]).astype(np.intp),
            position=self.position[row],
            level_dbfs=self.level_dbfs[row],
            age=self.age[row],
            lift_db=np.where(self.hidden[row] == 0, self.level_dbfs[row] - self._mean_db[row], 0),
            fast=self.fast,
            slow=self.slow,
            fast_total=self._fast_total,
            slow_total=self._slow_total,
            recent_power=self._recent,
            slow_is_new=self._frames % SLOW_STEP == 0,
        )
