"""Drive the howl tests: on tracks that are built by hand, and on a stream of samples.

A test of the detectors reads the figures of all peaks of a frame from here, in plain arrays, so
that how the engine remembers spectra is its own business.
"""

import itertools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from prehowl.detectors import HowlTest
from prehowl.detectors.background import Background
from prehowl.detectors.designs import DESIGNS, Design
from prehowl.detectors.framing import SampleMemory, quantum_length
from prehowl.detectors.peaks import find_peaks
from prehowl.detectors.resolution import Resolution
from prehowl.detectors.tracks import LOOKS, Now, Tracks, look_back

MAIN = next(design for design in DESIGNS if design.name == "main")

QUIETEST_SHARE = 1e-5
"""Peaks this far under their channel's power are left out here: rounding alone makes such."""


def built_tracks(
    power: ArrayLike,
    bins: Sequence[int],
    *,
    ch: Sequence[int] | None = None,
    level_db: ArrayLike | None = None,
    position: ArrayLike | None = None,
    present: ArrayLike | None = None,
    bin_hz: float = 10.0,
    step_s: float = 0.01,
) -> Tracks:
    """Return tracks at the given bins, with pasts (tracks, looks), newest last.

    What is not given is a tone that was always there, at its bin, at -40 dBFS, with its foot and
    the channel's total as they are now.
    """
    count = len(bins)
    spectrum = np.atleast_2d(np.asarray(power, np.float32))
    place = np.asarray(bins, np.intp)
    on = np.zeros(count, np.intp) if ch is None else np.asarray(ch, np.intp)
    total = spectrum[:, 1:].sum(axis=1)  # an offset is no part of a channel's power
    return Tracks(
        power=spectrum,
        total=total,
        recent_power=total.copy(),
        bin_hz=bin_hz,
        frame_length=2 * (spectrum.shape[1] - 1),
        ch=on,
        bin=place,
        step_s=np.full(count, step_s, np.float32),
        level_dbfs=_past(level_db, -40.0, count),
        position=_past(position, place[:, None].astype(float), count),
        flank_dbfs=_past(None, -60.0, count),
        present=_past(present, 1.0, count),
        total_past=_past(None, total[on][:, None], count),
    )


def some_of(tracks: Tracks, keep: NDArray[np.intp]) -> Tracks:
    """Return some of the tracks, beside the same spectrum."""
    own = ("ch", "bin", "step_s", "level_dbfs", "position", "flank_dbfs", "present", "total_past")
    return replace(tracks, **{name: getattr(tracks, name)[keep] for name in own})


def _past(given: ArrayLike | None, usual: Any, count: int) -> NDArray[np.float32]:
    """Return given values as the newest of a past, the oldest of them repeated before."""
    values = np.asarray(usual if given is None else given, np.float32)
    values = np.array(
        np.broadcast_to(values, (count, max(1, values.shape[-1] if values.ndim else 1)))
    )
    before = np.repeat(values[:, :1], max(0, LOOKS - values.shape[1]), axis=1)
    return np.concatenate([before, values], axis=1)[:, -LOOKS:]


@dataclass(frozen=True)
class Frame:
    """What howl tests said of the peaks of one frame; arrays of shape (peaks,)."""

    end_s: float  # samples consumed / rate
    ch: NDArray[np.intp]
    frequency_hz: NDArray[np.float32]
    figures: Mapping[str, NDArray[np.float32]]

    def of_channel(self, ch: int) -> "Frame":
        """Return the peaks of one channel, renumbered 0."""
        mine = self.ch == ch
        figures = {name: values[mine] for name, values in self.figures.items()}
        return Frame(self.end_s, self.ch[mine] * 0, self.frequency_hz[mine], figures)


class Listener:
    """Samples in any blocks through one resolution; the figures of every frame's peaks out."""

    def __init__(
        self, rate_hz: int, channels: int, tests: Mapping[str, HowlTest], design: Design = MAIN
    ) -> None:
        quantum = quantum_length(rate_hz)
        self.rate_hz, self.tests = rate_hz, tests
        nobody = np.zeros(channels, bool)
        self.resolution = Resolution(design, channels, rate_hz, quantum, nobody, Background())
        length = self.resolution.frame_length + quantum
        self._memory = SampleMemory(channels, length, quantum)
        self._quantum = quantum
        self._tick = 0

    def feed(self, block: NDArray[np.float32]) -> list[Frame]:
        """Return the frames that end within the block."""
        return [self._frame(tracks) for tracks in self.tracks(block)]

    def tracks(self, block: NDArray[np.float32]) -> Iterable[Tracks]:
        """Yield the tracks of all peaks of every frame that ends within the block."""
        for latest in self._memory.ticks(block):
            self._tick += 1
            if self.resolution.due(self._tick):
                yield self._look(self.resolution.advance(self.resolution.spectra(latest)))

    def _look(self, now: Now) -> Tracks:
        bins = now.power.shape[1]
        floor = (now.total * QUIETEST_SHARE).astype(np.float32)
        peaks = find_peaks(now.power, floor, 4, bins - 5)
        step = np.ones(len(peaks.bin), np.intp)
        return look_back(now, self.resolution.memory, peaks.ch, peaks.bin, step)

    def _frame(self, tracks: Tracks) -> Frame:
        figures = {name: np.array(test(tracks)) for name, test in self.tests.items()}
        end_s = self._tick * self._quantum / self.rate_hz
        return Frame(end_s, tracks.ch.copy(), tracks.frequency_hz.copy(), figures)


def chopped(samples: NDArray[Any], sizes: Iterable[int]) -> Iterable[NDArray[Any]]:
    """Yield the samples in blocks of the given sizes, repeated until all are used."""
    at = 0
    for size in itertools.cycle(sizes):
        if at >= len(samples):
            return
        yield samples[at : at + size]
        at += size


def assert_same_frames(a: Sequence[Frame], b: Sequence[Frame], tolerance: float = 0.0) -> None:
    """Assert that two runs saw the same peaks and said the same of them."""
    assert len(a) == len(b), f"{len(a)} frames against {len(b)}"
    for one, other in zip(a, b, strict=True):
        np.testing.assert_array_equal(one.ch, other.ch)
        np.testing.assert_allclose(one.frequency_hz, other.frequency_hz, rtol=1e-6)
        assert one.figures.keys() == other.figures.keys()
        for name in one.figures:
            np.testing.assert_allclose(
                one.figures[name], other.figures[name], rtol=0, atol=tolerance, err_msg=name
            )
