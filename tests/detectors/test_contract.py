"""The contract of howl tests, run over every one in the list, and shown to catch wrong ones."""

from collections.abc import Callable

import howl_contract
import numpy as np
import pytest
from howl_contract import CHECKS, Runs
from numpy.typing import NDArray

from prehowl.detectors import HOWL_TESTS
from prehowl.detectors.tracks import Tracks


@pytest.fixture(scope="module")
def runs() -> Runs:
    """Give the streams of the suite, played once to all howl tests."""
    return Runs(HOWL_TESTS)


def test_there_are_howl_tests():
    """Oracle: definition; an empty list would make the suite pass without a look."""
    assert len(HOWL_TESTS) >= 7


@pytest.mark.parametrize("name", HOWL_TESTS)
class TestContract:
    """Every howl test of the list, each promise; oracle: invariance, as each check says."""

    @pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
    def test_keeps(self, runs: Runs, name: str, check: Callable[[Runs, str], None]):
        """Oracle: the check's own docstring."""
        check(runs, name)


# Howl tests that are wrong on purpose: the level with one fault each.


def _level(tracks: Tracks) -> NDArray[np.float32]:
    return tracks.level_dbfs[:, -1].copy()


class Remembering:
    """Keeps a memory of its own that every channel, copy and stream shares."""

    def __init__(self) -> None:
        self.calls = 0

    def __deepcopy__(self, memo: object) -> "Remembering":
        return self

    def __call__(self, tracks: Tracks) -> NDArray[np.float32]:
        """Return the level plus the number of calls."""
        self.calls += 1
        return _level(tracks) + np.float32(self.calls)


class Poisoned:
    """Divides by the quietest total that was ever heard."""

    def __init__(self) -> None:
        self.quietest = np.inf

    def __call__(self, tracks: Tracks) -> NDArray[np.float32]:
        """Return the level above the quietest total."""
        self.quietest = min(self.quietest, float(tracks.power[0].sum()) + 1e-12)
        return np.asarray(_level(tracks) - 10 * np.log10(self.quietest), np.float32)


def by_neighbour(tracks: Tracks) -> NDArray[np.float32]:
    """Return levels against the mean of the peaks of all channels."""
    return _level(tracks) - _level(tracks).mean() if len(tracks.bin) else _level(tracks)


def by_number(tracks: Tracks) -> NDArray[np.float32]:
    """Return levels that depend on how many peaks there are."""
    return _level(tracks) + np.arange(len(tracks.bin), dtype=np.float32)


def in_bins(tracks: Tracks) -> NDArray[np.float32]:
    """Return a figure in bins, which are other hertz at another rate."""
    return tracks.position[:, -1].copy()


def in_samples(tracks: Tracks) -> NDArray[np.float32]:
    """Return a figure in bins of the spectrum, twice as many at twice the rate."""
    return np.full(len(tracks.bin), tracks.power.shape[1], np.float32)


def without_floor(tracks: Tracks) -> NDArray[np.float32]:
    """Return a ratio to a part of the spectrum that may be as good as silent."""
    beside = np.minimum(tracks.bin + 20, tracks.power.shape[1] - 1)
    with np.errstate(divide="ignore", over="ignore"):
        return np.asarray(np.float32(1e30) / tracks.power[tracks.ch, beside], np.float32)


def altering(tracks: Tracks) -> NDArray[np.float32]:
    """Return the level after scaling the spectrum in place."""
    level = _level(tracks)
    tracks.power[:] *= np.float32(0.999)
    return level


def too_wide(tracks: Tracks) -> NDArray[np.float32]:
    """Return doubles."""
    return _level(tracks).astype(np.float64)


WRONG = {
    "remembering": (Remembering, "company_changes_nothing chopping_changes_nothing "
                    "resuming_changes_nothing tracks_are_left_alone"),
    "poisoned": (Poisoned, "silence_first_changes_nothing"),
    "by_neighbour": (lambda: by_neighbour, "company_changes_nothing tracks_are_left_alone"),
    "by_number": (lambda: by_number, "company_changes_nothing tracks_are_left_alone"),
    "in_bins": (lambda: in_bins, "rate_changes_little"),
    "in_samples": (lambda: in_samples, "rate_changes_little"),
    "without_floor": (lambda: without_floor, "finite_in_finite_out"),
    "altering": (lambda: altering, "tracks_are_left_alone"),
    "too_wide": (lambda: too_wide, "one_figure_a_track"),
}  # fmt: skip
"""Name -> what makes it, the checks that must catch it."""


@pytest.fixture(scope="module")
def wrong_runs() -> Runs:
    """Give the streams, played once to all the wrong howl tests."""
    return Runs({name: make() for name, (make, _) in WRONG.items()})


@pytest.mark.parametrize(
    ("name", "check"),
    [(name, check) for name, (_, checks) in WRONG.items() for check in checks.split()],
)
def test_the_contract_catches(wrong_runs: Runs, name: str, check: str):
    """Oracle: each fault breaks the promise named beside it."""
    with pytest.raises(AssertionError):
        getattr(howl_contract, check)(wrong_runs, name)
