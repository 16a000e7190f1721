"""Drive the howl tests: on views that are built by hand, and on a stream of samples.

A test of the detectors reads the figures of all lines of a frame from here, in plain arrays, so
that what the line follower keeps inside is its own business.
"""

import dataclasses
import itertools
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from prehowl.detectors.framing import SampleMemory, quantum_length
from prehowl.detectors.lines import History, LineView
from prehowl.detectors.resolution import DESIGNS, Design, Resolution

HowlTest = Callable[[LineView], NDArray[np.float32]]

MAIN = next(design for design in DESIGNS if design.name == "main")


def built_view(
    power: ArrayLike,
    bins: Sequence[int],
    *,
    ch: Sequence[int] | None = None,
    level_db: ArrayLike | None = None,
    position: ArrayLike | None = None,
    present: ArrayLike | None = None,
    bin_hz: float = 10.0,
    hop_s: float = 0.01,
) -> LineView:
    """Return a view of lines at the given bins, with histories (lines, frames), newest last.

    What is not given is a line that was always there, at its bin, at -40 dBFS. Fields of the view
    that no howl test may look at are None.
    """
    lines = len(bins)
    spectrum = np.atleast_2d(np.asarray(power, np.float32))
    place = np.asarray(bins, np.intp)
    frames = 48
    level = _history(level_db, -40.0, lines, frames)
    where = _history(position, place[:, None].astype(float), lines, frames)
    seen = _history(present, 1.0, lines, frames)
    history = History(lines, frames)
    for frame in range(frames):
        history.add(level[:, frame], where[:, frame], seen[:, frame])
    known: dict[str, Any] = {
        "power": spectrum,
        "bin_hz": bin_hz,
        "hop_s": hop_s,
        "row": np.arange(lines),
        "ch": np.zeros(lines, np.intp) if ch is None else np.asarray(ch, np.intp),
        "bin": place,
        "position": where[:, -1].copy(),
        "level_dbfs": level[:, -1].copy(),
        "age": np.full(lines, frames, np.int32),
        "fast": history,
    }
    rest = {field.name: None for field in dataclasses.fields(LineView)}
    return LineView(**{**rest, **known})


def _history(given: ArrayLike | None, usual: Any, lines: int, frames: int) -> NDArray[np.float32]:
    """Return given values as the newest of a history, the oldest of them repeated before."""
    values = np.asarray(usual if given is None else given, np.float32)
    values = np.array(
        np.broadcast_to(values, (lines, max(1, values.shape[-1] if values.ndim else 1)))
    )
    before = np.repeat(values[:, :1], max(0, frames - values.shape[1]), axis=1)
    return np.concatenate([before, values], axis=1)[:, -frames:]


@dataclass(frozen=True)
class Frame:
    """What howl tests said of the lines of one frame; arrays of shape (lines,)."""

    end_s: float  # samples consumed / rate
    ch: NDArray[np.intp]
    frequency_hz: NDArray[np.float32]
    figures: Mapping[str, NDArray[np.float32]]

    def of_channel(self, ch: int) -> "Frame":
        """Return the lines of one channel, renumbered 0."""
        mine = self.ch == ch
        figures = {name: values[mine] for name, values in self.figures.items()}
        return Frame(self.end_s, self.ch[mine] * 0, self.frequency_hz[mine], figures)


class Listener:
    """Samples in any blocks through one resolution; the figures of every frame out."""

    def __init__(
        self, rate_hz: int, channels: int, tests: Mapping[str, HowlTest], design: Design = MAIN
    ) -> None:
        quantum = quantum_length(rate_hz)
        self.rate_hz, self.tests = rate_hz, tests
        self.resolution = Resolution(design, channels, rate_hz, quantum)
        length = self.resolution.frame_length + quantum
        self._memory = SampleMemory(channels, length, quantum)
        self._quantum = quantum
        self._tick = 0

    def feed(self, block: NDArray[np.float32]) -> list[Frame]:
        """Return the frames that end within the block."""
        frames = []
        for latest in self._memory.ticks(block):
            self._tick += 1
            if self.resolution.due(self._tick):
                for power in self.resolution.spectra(latest):
                    view, _ = self.resolution.step(power)
                    frames.append(self._frame(view))
        return frames

    def _frame(self, view: LineView) -> Frame:
        figures = {name: np.array(test(view)) for name, test in self.tests.items()}
        end_s = self._tick * self._quantum / self.rate_hz
        return Frame(end_s, view.ch.copy(), view.frequency_hz.copy(), figures)


def chopped(samples: NDArray[Any], sizes: Iterable[int]) -> Iterable[NDArray[Any]]:
    """Yield the samples in blocks of the given sizes, repeated until all are used."""
    at = 0
    for size in itertools.cycle(sizes):
        if at >= len(samples):
            return
        yield samples[at : at + size]
        at += size


def assert_same_frames(a: Sequence[Frame], b: Sequence[Frame], tolerance: float = 0.0) -> None:
    """Assert that two runs saw the same lines and said the same of them."""
    assert len(a) == len(b), f"{len(a)} frames against {len(b)}"
    for one, other in zip(a, b, strict=True):
        np.testing.assert_array_equal(one.ch, other.ch)
        np.testing.assert_allclose(one.frequency_hz, other.frequency_hz, rtol=1e-6)
        assert one.figures.keys() == other.figures.keys()
        for name in one.figures:
            np.testing.assert_allclose(
                one.figures[name], other.figures[name], rtol=0, atol=tolerance, err_msg=name
            )
