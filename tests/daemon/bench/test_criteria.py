"""The criteria of the literature, formula by formula, on hand-worked numbers."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from prehowl.daemon.bench.peers import criteria


def db(*rows):
    """Levels of a few frames."""
    return np.array(rows, float)


def test_ptpr_is_ten_times_the_logarithm_of_the_ratio():
    """Oracle: by hand: 100 over 10 is 10 dB."""
    assert criteria.ptpr_db(np.array([[100.0]]), 10.0)[0, 0] == pytest.approx(10.0)


@pytest.mark.parametrize(("window", "share"), [("rectangular", 2), ("hann", 3)])
def test_papr_of_a_sine_is_the_frame_length_over_two_or_three(window, share):
    """Oracle: closed form: |Y|^2 = (A sum w / 2)^2 and P_y = sum (w x)^2 (Parseval), that is M / 2
    for a rectangular window and M / 3 for a Hann window."""
    n = np.arange(256)
    shape = np.ones(256) if window == "rectangular" else 0.5 - 0.5 * np.cos(2 * np.pi * n / 256)
    power = np.abs(np.fft.rfft(shape * np.sin(2 * np.pi * 32 * n / 256))) ** 2
    found = criteria.papr_db(power[None], 256)[0, 32]
    assert found == pytest.approx(10 * np.log10(256 / share), abs=1e-6)


def test_phpr_takes_the_least_of_the_multiples():
    """Oracle: by hand: bin 4 at 0 dB; half of it at -50, 6 at -40, 8 at -33, 12 at -60."""
    level = np.full((1, 14), -90.0)
    level[0, [4, 2, 6, 8, 12]] = 0.0, -50.0, -40.0, -33.0, -60.0
    assert criteria.phpr_db(level, (0.5, 1.5, 2, 3, 4))[0, 4] == pytest.approx(33.0)
    assert criteria.phpr_db(level, (2,))[0, 4] == pytest.approx(33.0)
    assert criteria.phpr_db(level, (4,))[0, 4] == np.inf


def test_pnpr_takes_the_least_of_the_neighbours():
    """Oracle: by hand: two bins below -20, two above -15, three above -30."""
    level = db([-90, -20, -6, 0, -6, -15, -30])
    assert criteria.pnpr_db(level, (-2, 2, 3))[0, 3] == pytest.approx(15.0)
    assert criteria.pnpr_db(level, (-2, 3))[0, 3] == pytest.approx(20.0)


def test_candidates_are_the_strongest_local_maxima():
    """Oracle: by hand: maxima at 1, 3 and 5; the slope towards 8 is none."""
    power = db([1, 5, 2, 9, 3, 4, 2, 3, 7])
    assert np.flatnonzero(criteria.candidates(power, 2)[0]).tolist() == [1, 3]
    assert np.flatnonzero(criteria.candidates(power, 9)[0]).tolist() == [1, 3, 5]


def test_ipmp_counts_the_frames_with_the_peak():
    """Oracle: by hand: peaks in frames 0, 2, 3, 4: three of the last five, then four."""
    peak = np.array([[1], [0], [1], [1], [1], [0]], bool)
    assert criteria.ipmp(peak, 5)[:, 0].tolist() == pytest.approx([0.2, 0.2, 0.4, 0.6, 0.8, 0.6])


def test_imsd_of_three_levels_by_hand():
    """Oracle: the formula with Q = 2: 1/2 [(4 - 0)/2 + (1 - 0)/1] - (4 - 1)/1 = 1.5 - 3 = -1.5."""
    level = db([0.0], [1.0], [4.0])
    assert criteria.imsd_db(level, 2)[2, 0] == pytest.approx(-1.5)
    assert np.isnan(criteria.imsd_db(level, 2)[:2]).all()


def plain_imsd(levels, q):
    """The formula as it is printed; levels newest first, q + 1 of them."""
    total = 0.0
    for m in range(1, q):
        total += sum((levels[j] - levels[q]) / (q - j) for j in range(q)) / q
        total -= sum((levels[j] - levels[m]) / (m - j) for j in range(m)) / m
    return total / (q - 1)


@given(st.lists(st.floats(-90, 0), min_size=8, max_size=8))
def test_imsd_is_the_printed_formula(levels):
    """Oracle: slow reference: the double sum, written out."""
    found = criteria.imsd_db(np.array(levels)[::-1, None], 7)[7, 0]
    assert found == pytest.approx(plain_imsd(levels, 7), abs=1e-9)


@given(st.floats(-50, 50), st.floats(-90, 0))
def test_a_straight_level_has_no_slope_deviation(slope, start):
    """Oracle: closed form: both measures vanish for L = a + b t, whatever the slope b."""
    level = (start + slope * np.arange(12.0))[:, None]
    assert criteria.imsd_db(level, 7)[-1, 0] == pytest.approx(0.0, abs=1e-9)
    assert criteria.slope_deviation_db(level, 8)[-1, 0] == pytest.approx(0.0, abs=1e-9)


def test_slope_deviation_adds_the_bends_of_its_history():
    """Oracle: by hand: levels 0 0 1 1 3: second differences 1, -1, 2; over four frames the last
    two of them: 1 + 2 = 3, over five 4."""
    level = db([0.0], [0.0], [1.0], [1.0], [3.0])
    assert criteria.slope_deviation_db(level, 4)[4, 0] == pytest.approx(3.0)
    assert criteria.slope_deviation_db(level, 5)[4, 0] == pytest.approx(4.0)
    assert np.isnan(criteria.slope_deviation_db(level, 5)[:4]).all()


def test_peakness_and_fep_of_a_lone_straight_line():
    """Oracle: by hand: both sides 40 dB lower in all of 8 frames: 16/16; straight: FEP = 1; with
    one side at -10 dB half the votes: 0.7 + 0.15."""
    level = np.full((8, 21), -40.0)
    level[:, 10] = 0.0
    assert criteria.peakness(level)[-1, 10] == pytest.approx(1.0)
    assert criteria.peakness(level)[3, 10] == pytest.approx(0.5)
    assert criteria.fep(level, 7)[-1, 10] == pytest.approx(1.0)
    assert criteria.fep(level, 7)[3, 10] == pytest.approx(0.15)  # no history yet
    level[:, 11:] = -10.0
    assert criteria.fep(level, 7)[-1, 10] == pytest.approx(0.85)


@pytest.mark.parametrize(
    ("db_per_s", "expected"), [(0, 1.0), (25, 0.74), (50, 0.52), (100, 0.33), (200, 0.17)]
)
def test_ninos2_t_of_exponential_growth(db_per_s, expected):
    """Oracle: its closed form, worked for 32 frames at 50 a second (own table): it falls for fast
    howls. 1 = constant."""
    magnitude = 10 ** (db_per_s * np.arange(32) / 50 / 20)
    assert criteria.ninos2_t(magnitude[:, None], 32)[-1, 0] == pytest.approx(expected, abs=0.005)


def test_ninos2_t_of_one_frame_among_silence_is_0():
    """Oracle: definition: all energy in one frame; before the history is full there is no value."""
    magnitude = np.zeros((16, 1))
    magnitude[9] = 3.0
    found = criteria.ninos2_t(magnitude, 16)
    assert found[-1, 0] == pytest.approx(0.0, abs=1e-12)
    assert (found[:15] == criteria.NEVER).all()


@given(st.integers(1, 40), st.integers(1, 50))
def test_moving_sums_are_plain_sums(length, frames):
    """Oracle: slow reference."""
    values = np.random.default_rng(frames).random((frames, 2))
    slow = [values[max(0, k + 1 - length) : k + 1].sum(axis=0) for k in range(frames)]
    np.testing.assert_allclose(criteria.moving_sum(values, length), slow)


def test_only_the_largest_values_of_a_frame_are_kept():
    """Oracle: by hand."""
    kept = criteria.only_largest(db([1, 3, 2]), 1)
    assert kept.tolist() == [[criteria.NEVER, 3, criteria.NEVER]]
    assert criteria.only_largest(db([1, 3]), 2).tolist() == [[1, 3]]
