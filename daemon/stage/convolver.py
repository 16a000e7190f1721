"""Convolution inside a feedback loop: the next block from all blocks before it, cheaply.

Owns the partitioned FFT convolution (overlap-save) that a closed loop needs. A loop's output is
its own later input, so a block may be no longer than the shortest delay; long responses would
then cost a very great number of small transforms. Taps that lie further back are therefore
convolved in longer blocks: a level with blocks of B samples handles taps from B on, since for
those the input is known a whole block ahead (W. G. Gardner, "Efficient convolution without
input-output delay", J. Audio Eng. Soc. 43(3), 1995; from memory).

The past input is kept once (`History`); any number of responses read it, so that two of them can
be cross-faded without a warm-up.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Complex = NDArray[np.complex128]
Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Level:
    """One block length and the taps that it serves: from one block to `parts` blocks further."""

    block_length: int
    parts: int


@dataclass(frozen=True, slots=True)
class Plan:
    """Which taps are convolved in which block length."""

    block_length: int  # samples that the loop advances at a time
    levels: tuple[Level, ...]


def plan_for(min_delay: int, taps: int, *, step: int = 8) -> Plan:
    """Plan levels for responses of `taps` taps whose first `min_delay` taps are zero.

    Parameters
    ----------
    min_delay : int
        Samples, >= 1; the block length is the greatest power of two not above it.
    taps : int
        Length of the longest response.
    step : int
        Ratio of block lengths from level to level.
    """
    if min_delay < 1:
        raise ValueError(f"min_delay is {min_delay} samples; a loop without delay cannot be run")
    block = 1 << (int(min_delay).bit_length() - 1)
    levels = []
    length = block
    while True:
        parts = max(1, -(-taps // length) - 1)
        if parts < step:
            levels.append(Level(length, parts))
            return Plan(block, tuple(levels))
        levels.append(Level(length, step - 1))
        length *= step


class _Ring:
    """The spectra of the latest input windows at one level, newest first and contiguous."""

    def __init__(self, level: Level, shape: tuple[int, ...]) -> None:
        self._block, self._parts = level.block_length, level.parts
        self._room = 2 * level.parts + 8
        self._spectra: Complex = np.zeros((self._room, *shape, level.block_length + 1), complex)
        self._at = self._room - self._parts
        self._window = np.zeros((*shape, 2 * level.block_length))
        self.phase = 0  # samples of the current block already in

    def push(self, block: Real) -> None:
        """Append samples; transform when the level's block is full."""
        start = self._block + self.phase
        self._window[..., start : start + block.shape[-1]] = block
        self.phase += block.shape[-1]
        if self.phase < self._block:
            return
        if self._at == 0:
            keep = self._parts - 1
            self._spectra[self._room - keep :] = self._spectra[:keep]
            self._at = self._room - keep
        self._at -= 1
        self._spectra[self._at] = np.fft.rfft(self._window)
        self._window[..., : self._block] = self._window[..., self._block :]
        self.phase = 0

    def spectra(self) -> Complex:
        """Return (parts, groups, inputs, bins), newest first."""
        return self._spectra[self._at : self._at + self._parts]


class History:
    """The past input of a loop, shape (groups, inputs, samples), as spectra of every level."""

    def __init__(self, plan: Plan, groups: int, inputs: int) -> None:
        self.plan = plan
        self.rings = tuple(_Ring(level, (groups, inputs)) for level in plan.levels)

    def push(self, block: Real) -> None:
        """Take the next block, shape (groups, inputs, plan.block_length)."""
        for ring in self.rings:
            ring.push(block)


class Response:
    """A set of FIR responses read against a history. Groups are independent of each other.

    Parameters
    ----------
    history : History
        Shared past input.
    taps : ndarray, shape (groups, outputs, inputs, taps)
        Responses; the first `plan.block_length` taps must be zero.

    Raises
    ------
    ValueError
        If a response sounds earlier than one block.
    """

    def __init__(self, history: History, taps: Real) -> None:
        self._history = history
        if np.any(taps[..., : history.plan.block_length]):
            raise ValueError(
                f"a response sounds within {history.plan.block_length} samples, "
                "the block length; plan with a smaller min_delay"
            )
        self._spectra = tuple(_partitions(level, taps) for level in history.plan.levels)
        self._current: list[Real | None] = [None] * len(self._spectra)

    def next(self) -> Real:
        """Return the coming block, shape (groups, outputs, plan.block_length)."""
        length = self._history.plan.block_length
        parts = []
        for index, ring in enumerate(self._history.rings):
            current = self._current[index]
            if current is None or ring.phase == 0:
                current = self._current[index] = self._respond(index)
            parts.append(current[..., ring.phase : ring.phase + length])
        return parts[0] + sum(parts[1:]) if len(parts) > 1 else parts[0]

    def _respond(self, index: int) -> Real:
        past = self._history.rings[index].spectra()
        total = np.einsum("pgoib,pgib->gob", self._spectra[index], past)
        block = self._history.plan.levels[index].block_length
        return np.fft.irfft(total, 2 * block)[..., block:]


def _partitions(level: Level, taps: Real) -> Complex:
    """Cut the level's taps into blocks and return their spectra, (parts, ..., bins)."""
    length, parts = level.block_length, level.parts
    wanted = np.zeros((*taps.shape[:-1], parts * length))
    there = taps[..., length : (parts + 1) * length]
    wanted[..., : there.shape[-1]] = there
    blocks = wanted.reshape(*taps.shape[:-1], parts, length)
    spectra = np.fft.rfft(np.moveaxis(blocks, -2, 0), 2 * length)
    return np.ascontiguousarray(spectra)
