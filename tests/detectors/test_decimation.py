"""A stream at a fraction of its rate: as the textbook's filter has it, and with nothing folded."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from prehowl.detectors.decimation import (
    ATTENUATION_DB,
    LEAST_RATE_OVER_TOP,
    STRETCH,
    decimator_for,
    factor_for,
)

TOP_HZ = 1730.0
RATES_HZ = (11_025, 16_000, 22_050, 32_000, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_it_is_a_filter_and_every_nth_sample(rate_hz: int):
    """Oracle: scipy's polyphase filter, in double precision."""
    factor = max(2, factor_for(rate_hz, TOP_HZ))
    decimate = decimator_for(rate_hz, min(TOP_HZ, rate_hz / factor / 3.2), factor)
    rng = np.random.default_rng(1)
    samples = rng.standard_normal((3, decimate.older + 8 * STRETCH)).astype(np.float32)
    low = decimate(samples)
    assert low.shape == (3, 8 * STRETCH // factor)
    all_of_it = signal.upfirdn(decimate.taps, samples.astype(np.float64), axis=1)
    ends = decimate.older + factor * np.arange(1, low.shape[1] + 1) - 1
    np.testing.assert_allclose(low, all_of_it[:, ends], atol=2e-6)


def test_a_piece_of_a_longer_stretch_gives_the_same():
    """Oracle: definition. What the engine hands over are views into its memory."""
    decimate = decimator_for(48_000, TOP_HZ, 8)
    room = np.random.default_rng(2).standard_normal((5, 9000)).astype(np.float32)
    view = room[1:4, 3000 : 3000 + decimate.older + 2048]
    np.testing.assert_array_equal(decimate(view), decimate(view.copy()))
    np.testing.assert_array_equal(decimate(view)[1:2], decimate(view[1:2]))


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_the_choice_of_the_factor(rate_hz: int):
    """Oracle: definition: the largest power of two that leaves room for the filter's slope."""
    factor = factor_for(rate_hz, TOP_HZ)
    assert factor == 2 ** int(np.log2(factor))
    assert rate_hz / (2 * factor) < LEAST_RATE_OVER_TOP * TOP_HZ
    assert factor == 1 or rate_hz / factor >= LEAST_RATE_OVER_TOP * TOP_HZ


@given(
    hz=st.floats(0, TOP_HZ),
    fold=st.integers(1, 3),
    side=st.sampled_from([-1, 1]),
    rate_hz=st.sampled_from([44_100, 48_000, 96_000]),
)
def test_what_folds_back_is_gone(hz: float, fold: int, side: int, rate_hz: int):
    """Oracle: definition, by a tone through the filter itself; a Kaiser window's ripple is a guess
    of its makers that holds to a decibel or two (its own handbook says so; from memory)."""
    factor = factor_for(rate_hz, TOP_HZ)
    decimate = decimator_for(rate_hz, TOP_HZ, factor)
    heard = fold * rate_hz / factor + side * hz  # is read as hz
    time = np.arange(decimate.older + 4096) / rate_hz
    low = decimate(np.cos(2 * np.pi * heard * time).astype(np.float32)[None])
    assert np.abs(low).max() < 10 ** (-(ATTENUATION_DB - 3) / 20)


@given(hz=st.floats(0, TOP_HZ), rate_hz=st.sampled_from([44_100, 48_000, 96_000]))
def test_what_is_looked_at_stays_and_the_response_tells_what_was_lost(hz: float, rate_hz: int):
    """Oracle: definition: a tone's power before and after, by least squares."""
    decimate = decimator_for(rate_hz, TOP_HZ, 8)
    time = np.arange(decimate.older + 16384) / rate_hz
    low = decimate(np.exp(2j * np.pi * hz * time).real.astype(np.float32)[None])[0]
    at = time[decimate.older :: 8][: len(low)]
    basis = np.stack([np.cos(2 * np.pi * hz * at), np.sin(2 * np.pi * hz * at) + 0 * at], axis=1)
    found = np.linalg.lstsq(basis, low, rcond=None)[0]
    if hz > 5:  # lower, the two parts cannot be told apart
        told = decimate.power_response(np.array([hz]), rate_hz)[0]
        np.testing.assert_allclose((found**2).sum(), told, rtol=1e-3)
    assert decimate.power_response(np.array([hz]), rate_hz)[0] > 0.99
