"""The newest frame of one resolution with what was found in it: what the tracker is shown."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors import HOWL_TESTS
from prehowl.detectors.following import Sighting, sight
from prehowl.detectors.memory import SpectrumMemory
from prehowl.detectors.slope_deviation import UNKNOWN_DB
from prehowl.detectors.steadiness import UNKNOWN_CENTS
from prehowl.detectors.tracks import LOOKS, Now, Tracks, look_back
from prehowl.detectors.verdict import Verdict

UNKNOWN = {"imsd_db": UNKNOWN_DB, "wander_cents": UNKNOWN_CENTS}
"""What these tests answer where they cannot tell."""


@dataclass(frozen=True, slots=True)
class Frame:
    """The newest frame of one resolution, with what was found in it."""

    now: Now
    memory: SpectrumMemory
    verdict: Verdict
    suspicion: NDArray[np.float32]  # of each place of the verdict
    lowest_hz: float
    highest_hz: float
    sample: int  # samples consumed at the end of the frame
    rate_hz: int

    def sighting(self, ch: Sequence[int], frequency_hz: Sequence[float]) -> Sighting:
        """Look at some frequencies of some channels."""
        places = np.asarray(frequency_hz, np.float64)
        return sight(self.now, self.memory, np.asarray(ch, np.intp), places)

    def covers(self, frequency_hz: float) -> bool:
        """Tell whether a frequency is one that this resolution looks at."""
        return self.lowest_hz <= frequency_hz <= self.highest_hz

    def place_hz(self, places: int | NDArray[np.intp]) -> NDArray[np.float64]:
        """Return the frequencies of some places of the verdict."""
        return np.asarray(self.verdict.place[places] * self.now.bin_hz, np.float64)


def evidence_of(frame: Frame, ch: int, bin_: int) -> dict[str, float | None]:
    """Return what every howl test says of one bin of a channel; None: it was seen too seldom."""
    tracks = _past(frame, ch, bin_, step=1)
    told = {name: float(test(tracks)[0]) for name, test in HOWL_TESTS.items()}
    return {name: None if value == UNKNOWN.get(name) else value for name, value in told.items()}


def lowest_dbfs(frame: Frame, ch: int, bin_: int) -> float:
    """Return the lowest level of one bin of a channel that the memory holds, as of a lone tone."""
    step = (frame.memory.frames - 1) // (LOOKS - 1)
    return float(_past(frame, ch, bin_, step).level_dbfs.min())


def _past(frame: Frame, ch: int, bin_: int, step: int) -> Tracks:
    one = (np.array([ch]), np.array([bin_]), np.array([step]))
    return look_back(frame.now, frame.memory, *one)
