"""Straight lines through levels, against numpy's own least squares."""

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from prehowl.detectors.growth import Rise, fit, slope, slopes_of_the_last

LOOKS = 12


@st.composite
def pasts(draw) -> tuple[np.ndarray, np.ndarray]:
    """Return levels and presence of one track, seen at least three times and at last."""
    seed = draw(st.integers(0, 2**32 - 1))
    rng = np.random.default_rng(seed)
    level = draw(st.floats(-90, -10)) + draw(st.floats(-4, 4)) * np.arange(LOOKS)
    level += draw(st.floats(0, 5)) * rng.standard_normal(LOOKS)
    present = np.array(draw(st.lists(st.booleans(), min_size=LOOKS, max_size=LOOKS)))
    present[-1] = True
    assume(present.sum() >= 3)
    return level.astype(np.float32), present


@given(pasts())
def test_a_fit_is_least_squares_over_the_looks_seen(past):
    """Oracle: numpy.polyfit; RMS of what is left; looks and share counted."""
    level, present = past
    time = np.arange(LOOKS)[present]
    wanted, at_zero = np.polyfit(time, level[present].astype(float), 1)
    left = level[present] - (wanted * time + at_zero)
    found = fit(level[None], present[None].astype(np.float32))
    assert found.slope[0] == pytest.approx(wanted, abs=2e-4 + 1e-4 * abs(wanted))
    # Sums of squares in float32: a straight line is good to some hundredths of a dB.
    assert found.residual_db[0] == pytest.approx(np.sqrt((left**2).mean()), abs=0.05)
    assert found.looks[0] == LOOKS - 1 - time[0]
    assert found.share[0] == pytest.approx(len(time) / (LOOKS - time[0]))
    assert found.rise_db[0] == pytest.approx(found.slope[0] * found.looks[0])


@given(pasts())
def test_the_short_way_finds_the_same_slope(past):
    """Oracle: slow reference: the whole fit."""
    level, present = past[0][None], past[1][None].astype(np.float32)
    np.testing.assert_allclose(slope(level, present), fit(level, present).slope, atol=1e-6)


@given(pasts(), st.sampled_from([0.25, 0.5, 0.8]))
def test_the_last_part_is_fitted_by_itself(past, part):
    """Oracle: numpy.polyfit over the looks of that part, three at the least."""
    level, present = past
    rise = fit(level[None], present[None].astype(np.float32))
    ago = LOOKS - 1 - np.arange(LOOKS)
    late = present & (ago <= max(part * float(rise.looks[0]), 2))
    assume(late.sum() >= 2)
    wanted = np.polyfit(np.arange(LOOKS)[late], level[late].astype(float), 1)[0]
    found = slopes_of_the_last(level[None], present[None].astype(np.float32), rise, (1, part))
    assert found[1, 0] == pytest.approx(wanted, abs=2e-3)


@given(st.floats(-60, 60), pasts())
def test_gain_does_not_matter(gain_db, past):
    """Oracle: invariance: so many dB louder is the same rise."""
    level, present = past[0][None], past[1][None].astype(np.float32)
    plain, louder = fit(level, present), fit(level + np.float32(gain_db), present)
    np.testing.assert_allclose(louder.slope, plain.slope, atol=1e-4)
    np.testing.assert_allclose(louder.residual_db, plain.residual_db, atol=0.05)


def test_tracks_are_fitted_by_themselves():
    """Oracle: hand-worked: up by 2, level, down by 1 dB a look, side by side."""
    level = np.array([2.0, 0, -1])[:, None] * np.arange(LOOKS)
    found = fit(level.astype(np.float32), np.ones((3, LOOKS), np.float32))
    np.testing.assert_allclose(found.slope, [2, 0, -1], atol=1e-5)
    np.testing.assert_allclose(found.only(np.array([2, 0])).slope, [-1, 2], atol=1e-5)
    np.testing.assert_allclose(found.residual_db, 0, atol=0.01)


def test_what_was_never_seen_does_not_rise():
    """Oracle: property: finite, and over no looks at all."""
    found = fit(np.full((1, LOOKS), -140, np.float32), np.zeros((1, LOOKS), np.float32))
    assert isinstance(found, Rise)
    assert found.looks[0] == 0
    assert found.rise_db[0] == 0
    assert np.isfinite([found.slope[0], found.residual_db[0], found.share[0]]).all()
