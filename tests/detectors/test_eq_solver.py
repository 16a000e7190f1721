"""Fader settings for wanted cuts, against exhaustive search and properties."""

import itertools

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from prehowl.detectors.bands import NOMINAL_HZ, band_index, edges_hz, exact_centres_hz
from prehowl.detectors.eq_cover import CLOSE_ENOUGH_DB
from prehowl.detectors.eq_solver import solve_faders, solve_notches
from prehowl.detectors.graphic_eq import EqKind, graphic_response_db
from prehowl.detectors.parametric_eq import MOST_NOTCHES, notch_response_db

RATE_HZ = 48_000

frequencies = st.lists(st.floats(60, 14_000), min_size=1, max_size=7)
kinds = st.sampled_from(list(EqKind))


def _moved(setting):
    return {NOMINAL_HZ[n]: gain for n, gain in enumerate(setting.gains_db) if gain}


def test_a_ring_on_a_centre_takes_its_own_fader_alone():
    """Oracle: definition: the fader's full cut arrives at its centre."""
    found = solve_faders([1000], [3], RATE_HZ)
    assert _moved(found) == {1000: -3.0}
    assert found.achieved_db == pytest.approx([3.0])
    assert found.missing_db == (0.0,)


def test_a_ring_between_two_faders_takes_both():
    """Oracle: the W3C formula: 3 dB on both sides of an edge give 3 dB there."""
    found = solve_faders([float(edges_hz()[21])], [3], RATE_HZ)
    assert _moved(found) == {2000: -3.0, 2500: -3.0}


def _least_total(frequency, wanted, faders, step, most, kind):
    """Try every setting of a few faders."""
    steps = np.arange(0, most + step / 2, step)
    best = np.inf
    for cuts in itertools.product(steps, repeat=len(faders)):
        gains = np.zeros(31)
        gains[faders] = -np.array(cuts)
        if (
            sum(cuts) < best
            and (
                -graphic_response_db(gains, frequency, RATE_HZ, kind)
                >= np.array(wanted) - CLOSE_ENOUGH_DB
            ).all()
        ):
            best = sum(cuts)
    return best


@pytest.mark.parametrize("kind", list(EqKind))
@pytest.mark.parametrize(
    ("frequency", "wanted"),
    [
        ([1030.0], [3.0]),
        ([2239.0], [2.0]),
        ([2300.0, 2700.0], [3.0, 2.0]),
        ([400.0, 630.0], [4.0, 1.0]),
        ([480.0, 570.0, 640.0], [2.0, 3.0, 1.0]),
    ],
)
def test_the_total_cut_is_the_least_but_for_sharing(kind, frequency, wanted):
    """Oracle: exhaustive search over the nearest faders; sharing may cost one step."""
    own = band_index(frequency)
    near = list(range(int(own.min()) - (own.max() == own.min()), int(own.max()) + 2))[:4]
    least = _least_total(frequency, wanted, near, 0.5, 6.0, kind)
    found = solve_faders(frequency, wanted, RATE_HZ, kind=kind)
    assert found.total_cut_db <= least + 0.5
    assert max(found.missing_db) == 0


@settings(max_examples=60, deadline=None)
@given(frequencies, st.data(), kinds, st.sampled_from([0.5, 1.0, 1.5]), st.floats(3, 12))
def test_what_is_told_is_what_the_faders_do(frequency, data, kind, step, cap):
    """Oracle: properties: no boost, whole steps, no fader beyond the cap, an honest result."""
    wanted = data.draw(st.lists(st.floats(0, 9), min_size=len(frequency), max_size=len(frequency)))
    found = solve_faders(frequency, wanted, RATE_HZ, step_db=step, cap_db=cap, kind=kind)
    gains = np.array(found.gains_db)
    assert (gains <= 0).all()
    assert (gains >= -cap - 1e-9).all()
    np.testing.assert_allclose(gains / step, np.round(gains / step), atol=1e-6)
    truth = -graphic_response_db(gains, frequency, RATE_HZ, kind)
    np.testing.assert_allclose(found.achieved_db, truth, atol=1e-9)
    short = np.array(wanted) - truth
    expected = np.where(short < CLOSE_ENOUGH_DB, 0, short)
    np.testing.assert_allclose(found.missing_db, expected, atol=1e-9)


@settings(max_examples=40, deadline=None)
@given(frequencies, st.floats(0.5, 4))
@example([639.0, 2344.0, 6158.0, 13_232.0], 3.0384676628806773)  # once 0.0002 dB too little
def test_small_wishes_come_true(frequency, cut):
    """Oracle: definition: a cap far above what is wanted leaves nothing missing."""
    found = solve_faders(frequency, [cut] * len(frequency), RATE_HZ, cap_db=15)
    assert max(found.missing_db) == 0


@settings(max_examples=40, deadline=None)
@given(st.floats(60, 14_000), st.floats(0.5, 6))
def test_no_single_step_can_be_given_back(frequency, cut):
    """Oracle: property of a least cut: raising any fader by a step loses what was wanted."""
    found = solve_faders([frequency], [cut], RATE_HZ, cap_db=15)
    for band in np.flatnonzero(np.array(found.gains_db)):
        raised = np.array(found.gains_db)
        raised[band] = min(0.0, raised[band] + 0.5)
        left = -graphic_response_db(raised, frequency, RATE_HZ)
        assert left < cut - CLOSE_ENOUGH_DB


def test_past_the_cap_the_missing_part_is_told_and_the_equaliser_is_not_wrecked():
    """Oracle: common practice, no source: cuts that pile up on neighbours are no way out."""
    found = solve_faders([1000], [12], RATE_HZ, cap_db=6)
    assert found.missing_db[0] == pytest.approx(12 - found.achieved_db[0])
    assert found.achieved_db[0] >= 6
    assert len(_moved(found)) <= 3


def test_faders_that_are_down_stay_down_and_count():
    """Oracle: definition of kept faders: nothing comes up; what they take need not be cut again."""
    kept = np.zeros(31)
    kept[int(band_index(1000))] = -4.0
    kept[int(band_index(8000))] = -2.3
    found = solve_faders([1000, 8000], [3, 3], RATE_HZ, kept_db=kept)
    assert _moved(found) == {1000: -4.0, 8000: -3.0}
    assert solve_faders([250], [3], RATE_HZ, kept_db=kept).gains_db[17] == -4.0


def test_kept_faders_beyond_the_cap_stay_where_they_are():
    """Oracle: documented."""
    kept = [-9.0 if nominal == 1000 else 0.0 for nominal in NOMINAL_HZ]
    found = solve_faders([1000], [10], RATE_HZ, cap_db=6, kept_db=kept)
    assert _moved(found)[1000] == -9.0


def test_nothing_wanted_leaves_it_flat():
    """Oracle: definition."""
    assert not _moved(solve_faders([], [], RATE_HZ))
    assert not _moved(solve_faders([1000], [0], RATE_HZ))
    assert solve_notches([], [], RATE_HZ).notches == ()
    assert solve_notches([1000], [0], RATE_HZ).notches == ()


@pytest.mark.parametrize(
    ("arguments", "options", "message"),
    [
        (([1000], [1, 2]), {}, "1 frequencies but 2"),
        (([0], [1]), {}, "between 0 and 24000"),
        (([24_000], [1]), {}, "between 0 and 24000"),
        (([1000], [-1]), {}, "0 dB or more"),
        (([1000], [float("nan")]), {}, "0 dB or more"),
        (([1000], [1]), {"step_db": 0}, "0 < step <= cap"),
        (([1000], [1]), {"cap_db": 0.1}, "0 < step <= cap"),
        (([1000], [1]), {"kept_db": [1.0] * 31}, "0 dB or below"),
        (([1000], [1]), {"kept_db": [0.0] * 30}, "31 fader"),
    ],
)
def test_impossible_wishes_are_refused(arguments, options, message):
    """Oracle: the documented errors."""
    with pytest.raises(ValueError, match=message):
        solve_faders(*arguments, RATE_HZ, **options)


def test_one_notch_sits_on_the_ring():
    """Oracle: definition: a notch's depth arrives at its centre."""
    (notch,) = solve_notches([2513.4], [3], RATE_HZ).notches
    assert (notch.frequency_hz, notch.depth_db) == (pytest.approx(2513.4), 3.0)


def test_two_rings_within_a_notch_share_it():
    """Oracle: definition: both lie within the width of one notch."""
    found = solve_notches([1000, 1040, 3000], [3, 3, 2], RATE_HZ)
    assert len(found.notches) == 2
    assert max(found.missing_db) == 0


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(60, 14_000), min_size=1, max_size=12), st.integers(1, MOST_NOTCHES))
def test_never_more_notches_than_the_desk_has(frequency, most):
    """Oracle: property; and what is told is what they do."""
    found = solve_notches(frequency, [3.0] * len(frequency), RATE_HZ, most=most)
    assert 1 <= len(found.notches) <= most
    truth = -notch_response_db(found.notches, frequency, RATE_HZ)
    np.testing.assert_allclose(found.achieved_db, truth, atol=1e-9)


@pytest.mark.parametrize("options", [{"most": 0}, {"most": 7}, {"octaves": 0}, {"step_db": -1}])
def test_impossible_notches_are_refused(options):
    """Oracle: the documented errors."""
    with pytest.raises(ValueError, match=r"1 to 6 notches|must be above 0"):
        solve_notches([1000], [1], RATE_HZ, **options)


def test_every_centre_is_solved_by_its_own_fader():
    """Oracle: all 31 bands of ISO 266, one after the other."""
    for number, centre in enumerate(exact_centres_hz()):
        assert _moved(solve_faders([float(centre)], [2], RATE_HZ)) == {NOMINAL_HZ[number]: -2.0}
