"""The long-term spectrum: levels of a tone in noise by arithmetic, means by their definition."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from prehowl.detectors.longterm import FAR_BINS, FAST_S, NEAR_BINS, SLOW_S, LongTerm, ground_db

HOP_S = 0.1
BINS = 200


def long_term(channels: int = 1) -> LongTerm:
    """Return an empty one."""
    return LongTerm(channels, BINS, HOP_S, 5, BINS - 6)


def add(means: LongTerm, power: np.ndarray) -> None:
    """Let a spectrum be taken in, with its own sum."""
    means.add(power, power.sum(axis=1))


def test_a_steady_spectrum_is_its_own_mean() -> None:
    """Whatever the time constants: mean of equal values."""
    power = np.random.default_rng(1).uniform(1e-6, 1e-4, (2, BINS)).astype(np.float32)
    means = long_term(2)
    for _ in range(50):
        add(means, power)
    for read in means.read():
        np.testing.assert_allclose(read.level_dbfs, 10 * np.log10(power), atol=1e-3)
        np.testing.assert_allclose(read.total_dbfs, 10 * np.log10(power.sum(axis=1)), atol=1e-3)


def test_the_first_second_is_a_plain_mean() -> None:
    """Oracle: the arithmetic mean, while less was heard than the time constant."""
    powers = np.random.default_rng(2).uniform(0, 1, (10, 1, BINS)).astype(np.float32)
    means = long_term()
    for power in powers:
        add(means, power)
    for read in means.read():
        np.testing.assert_allclose(
            read.level_dbfs, 10 * np.log10(powers.mean(axis=0)), rtol=0, atol=1e-3
        )


@pytest.mark.parametrize(("number", "tau_s"), [(0, FAST_S), (1, SLOW_S)])
def test_what_has_ended_fades_by_the_time_constant(number: int, tau_s: float) -> None:
    """Oracle: exp(-1) after the time constant, to the first order in hop over constant."""
    means = long_term()
    for _ in range(round(10 * tau_s / HOP_S)):
        add(means, np.ones((1, BINS), np.float32))
    for _ in range(round(tau_s / HOP_S)):
        add(means, np.zeros((1, BINS), np.float32))
    left = 10 ** (means.read()[number].level_dbfs / 10)
    np.testing.assert_allclose(left, np.exp(-1), rtol=HOP_S / tau_s)


def test_a_line_in_noise_stands_out_by_what_it_has_more() -> None:
    """20 dB over a flat ground: that prominence, one line, and its share of the whole power."""
    power = np.full((1, BINS), 1e-6, np.float32)
    power[0, 90] = 1e-4
    means = long_term()
    add(means, power)
    fast, _ = means.read()
    assert np.flatnonzero(fast.is_line[0]).tolist() == [90]
    assert fast.lines.tolist() == [1]
    assert fast.prominence_db[0, 90] == pytest.approx(20, abs=1e-3)
    whole = 10 * np.log10(1.5e-4 / (1e-4 + 199e-6))  # a tone has 1.5 of its highest bin (Hann)
    assert fast.relative_db[0, 90] == pytest.approx(whole, abs=1e-3)


@given(st.integers(FAR_BINS, BINS - FAR_BINS - 1), st.integers(0, 2**31))
def test_the_ground_is_the_mean_of_the_bins_around(at: int, seed: int) -> None:
    """Oracle: the same by indexing."""
    level = np.random.default_rng(seed).uniform(-140, 0, (1, BINS)).astype(np.float32)
    off = np.abs(np.arange(BINS) - at)
    around = level[0, (off > NEAR_BINS) & (off <= FAR_BINS)]
    assert ground_db(level)[0, at] == pytest.approx(around.mean(), abs=0.01)
