"""The formula of each howl test, on spectra and histories that are worked out by hand.

Formulas and thresholds: T. van Waterschoot & M. Moonen, Fifty years of acoustic feedback control,
Proc. IEEE 99(2), 2011 (read in full), which collects those of earlier authors.
"""

import math
from dataclasses import replace

import numpy as np
import pytest
from howl_runs import built_tracks
from hypothesis import given
from hypothesis import strategies as st

from prehowl.detectors import (
    growth,
    harmonics,
    neighbours,
    papr,
    persistence,
    slope_deviation,
    steadiness,
)
from prehowl.detectors.tracks import LOOKS

BINS = 129  # one-sided spectrum of M = 256


def flat(level_db: float = -60.0, channels: int = 1, **lines_db: float) -> np.ndarray:
    """Return a flat spectrum with lines at bins, as in flat(-60, b40=-20)."""
    power = np.full((channels, BINS), 10 ** (level_db / 10))
    for name, line_db in lines_db.items():
        power[:, int(name[1:])] = 10 ** (line_db / 10)
    return power


# PAPR = 10 log10(|Y(w)|^2 / P_y), P_y = (1/M) sum over all M bins of |Y|^2


def test_papr_of_a_lone_line_is_half_of_m():
    """Oracle: hand-worked: one line in silence fills 2 of M = 256 bins: 10 log10(128) = 21.07."""
    assert papr.measure(built_tracks(flat(-300, b40=-20), [40]))[0] == pytest.approx(
        21.07, abs=0.01
    )


def test_papr_of_a_flat_spectrum_is_nothing():
    """Oracle: hand-worked: 255 of 256 bins are alike, and bin 0 is no part: 10 log10(256/255)."""
    assert papr.measure(built_tracks(flat(), [40]))[0] == pytest.approx(0.0170, abs=1e-4)


def test_papr_by_the_sum_over_all_bins():
    """Oracle: slow reference: the two-sided spectrum without bin 0 summed bin by bin."""
    rng = np.random.default_rng(1)
    power = rng.exponential(1e-5, (2, BINS))
    power[:, 0] = 0
    power[0, 30], power[1, 70] = 0.3, 0.02
    found = papr.measure(built_tracks(power, [30, 70], ch=[0, 1]))
    for value, ch, place in zip(found, (0, 1), (30, 70), strict=True):
        two_sided = [*power[ch], *power[ch, -2:0:-1]]
        assert len(two_sided) == 256
        wanted = 10 * math.log10(power[ch, place] / (sum(two_sided) / 256))
        assert value == pytest.approx(wanted, abs=1e-3)


def test_papr_counts_the_bins_that_are_not_kept():
    """Oracle: invariance: lower bins kept only, with the total of all: no more is different."""
    rng = np.random.default_rng(2)
    whole = built_tracks(rng.exponential(1e-5, BINS), [20])
    kept = replace(whole, power=np.ascontiguousarray(whole.power[:, :40]))
    assert papr.measure(kept)[0] == pytest.approx(papr.measure(whole)[0], abs=0.05)
    assert papr.measure(kept)[0] != pytest.approx(
        papr.measure(replace(kept, frame_length=80))[0], abs=1
    )


# PNPR(m) = 10 log10(|Y(w)|^2 / |Y(w + 2 pi m / M)|^2)


def test_pnpr_of_a_line_in_a_flat_spectrum_is_its_height():
    """Oracle: hand-worked: -20 against -60 on all neighbours: 40 dB."""
    assert neighbours.measure(built_tracks(flat(-60, b40=-20), [40]))[0] == pytest.approx(
        40, abs=0.01
    )


def test_pnpr_is_the_mean_in_db_of_the_worse_side():
    """Oracle: hand-worked: bins 3 to 7 above at -30 -32 -34 -36 -38 dB (mean -34), below at -60."""
    power = flat(-60, b40=-20, b43=-30, b44=-32, b45=-34, b46=-36, b47=-38)
    assert neighbours.measure(built_tracks(power, [40]))[0] == pytest.approx(14, abs=0.01)
    mirrored = flat(-60, b40=-20, b37=-30, b36=-32, b35=-34, b34=-36, b33=-38)
    assert neighbours.measure(built_tracks(mirrored, [40]))[0] == pytest.approx(14, abs=0.01)


def test_pnpr_overlooks_the_lines_own_main_lobe():
    """Oracle: definition; what lies within two bins belongs to the Hann main lobe."""
    power = flat(-60, b40=-20, b39=-22, b41=-22, b38=-40, b42=-40)
    assert neighbours.measure(built_tracks(power, [40]))[0] == pytest.approx(40, abs=0.01)


def test_pnpr_at_the_ends_of_the_spectrum_is_finite():
    """Oracle: property; a line 3 bins from an end has fewer neighbours and still an answer."""
    found = neighbours.measure(built_tracks(flat(-60, b3=-20, b125=-20), [3, 125]))
    assert np.isfinite(found).all()
    assert (found > 20).all()


# PHPR = least of 10 log10(|Y(w)|^2 / |Y(m w)|^2), m in {0.5, 1.5, 2, 3, 4}


@pytest.mark.parametrize("multiple", [0.5, 1.5, 2, 3, 4])
def test_phpr_is_the_distance_to_the_strongest_partial(multiple):
    """Oracle: hand-worked for each published m: -20 against -45 dB: 25 dB, whatever the others."""
    partial = {f"b{round(30 * multiple)}": -45.0}
    found = harmonics.measure(built_tracks(flat(-80, b30=-20, **partial), [30]))
    assert found[0] == pytest.approx(25, abs=0.01)


def test_phpr_of_a_lone_line_is_the_distance_to_what_is_there():
    """Oracle: hand-worked: nothing but the noise at -70: 50 dB."""
    assert harmonics.measure(built_tracks(flat(-70, b30=-20), [30]))[0] == pytest.approx(
        50, abs=0.01
    )


def test_phpr_does_not_count_lines_that_are_no_multiples():
    """Oracle: definition; 2.5 and 1.25 are not in the set."""
    found = harmonics.measure(built_tracks(flat(-80, b40=-20, b100=-21, b50=-21), [40]))
    assert found[0] == pytest.approx(60, abs=0.01)


def test_phpr_where_no_multiple_is_in_range_is_the_documented_most():
    """Oracle: the documented answer of 60 dB; a line near the bottom, silence around."""
    found = harmonics.measure(built_tracks(flat(-300, b60=-3), [60]))
    assert found[0] == pytest.approx(harmonics.NONE_IN_RANGE_DB)


# IPMP = (1/Q_M) sum over j of [the line is a peak j frames ago]


@pytest.mark.parametrize(
    ("recent", "share"),
    [("11111", 1.0), ("00000", 0.0), ("10101", 0.6), ("00001", 0.2), ("11110", 0.8)],
)
def test_ipmp_counts_the_last_five_frames(recent, share):
    """Oracle: hand-counted; Q_M = 5 (published rule: >= 3/5); older frames do not count."""
    for before in ("0" * 20, "1" * 20):
        present = [[float(c) for c in before + recent]]
        found = persistence.measure(built_tracks(flat(), [40], present=present))
        assert found[0] == pytest.approx(share)


# IMSD


def slow_imsd(level_db) -> float:
    """Return the published double sum, term by term; L[j] = level j frames ago, Q_M = 7."""
    q, ago = 7, list(level_db)[::-1]
    total = 0.0
    for m in range(1, q):
        long_term = sum((ago[j] - ago[q]) / (q - j) for j in range(q)) / q
        short_term = sum((ago[j] - ago[m]) / (m - j) for j in range(m)) / m
        total += long_term - short_term
    return total / (q - 1)


@given(st.lists(st.floats(-100, 0), min_size=8, max_size=8))
def test_imsd_is_the_published_double_sum(level_db):
    """Oracle: slow reference, the formula literally, with Q_M = 7."""
    found = slope_deviation.measure(built_tracks(flat(), [40], level_db=[level_db]))
    assert found[0] == pytest.approx(slow_imsd(level_db), abs=2e-3)


@given(st.floats(-100, 0), st.floats(-8, 8))
def test_imsd_of_a_straight_line_is_nothing(start_db, slope_db):
    """Oracle: closed form: every mean slope is the slope, whatever it is, also 0."""
    level = start_db + slope_db * np.arange(8)
    found = slope_deviation.measure(built_tracks(flat(), [40], level_db=[level]))
    assert found[0] == pytest.approx(0, abs=2e-3)


def test_imsd_of_a_concave_attack_is_far_from_nothing():
    """Oracle: the published rule |IMSD| <= 0.05 for a howl; an attack towards a note breaks it."""
    attack = -40 * 0.5 ** np.arange(8)
    found = slope_deviation.measure(built_tracks(flat(), [40], level_db=[attack]))
    assert found[0] == pytest.approx(slow_imsd(attack), rel=1e-3)
    assert abs(found[0]) > 0.5


def test_imsd_has_a_sign():
    """Oracle: hand-worked: rising only of late and rising only at first are opposites."""
    late, early = [0, 0, 0, 0, 0, 2, 4, 6], [0, 2, 4, 6, 6, 6, 6, 6]
    tracks = built_tracks(flat(), [40, 50], level_db=[late, early])
    found = slope_deviation.measure(tracks)
    assert found[0] * found[1] < 0
    np.testing.assert_allclose(found, [slow_imsd(late), slow_imsd(early)], rtol=1e-3)


def test_imsd_of_a_young_line_claims_nothing():
    """Oracle: the documented answer of 100 for lines seen in too few of the last 8 frames."""
    present = [[0.0] * 4 + [1.0] * 4]
    found = slope_deviation.measure(built_tracks(flat(), [40], present=present))
    assert found[0] == 100


# steadiness, ours


def test_a_line_that_stands_still_does_not_wander():
    """Oracle: definition; a constant place is 0 cents."""
    assert steadiness.measure(built_tracks(flat(), [40]))[0] == pytest.approx(0, abs=1e-3)


@given(st.floats(0.01, 0.4), st.integers(20, 100))
def test_a_line_that_alternates_wanders_by_half_the_way(half_bins, place):
    """Oracle: hand-worked: places p +- d in turn deviate by d: 1200 / ln 2 * d / p cents."""
    where = place + half_bins * (-1.0) ** np.arange(LOOKS)
    found = steadiness.measure(built_tracks(flat(), [place], position=[where]))
    assert found[0] == pytest.approx(1200 / math.log(2) * half_bins / place, rel=1e-3)


def test_a_vibrato_wanders_by_its_depth_over_root_two():
    """Oracle: closed form: the deviation of a sine of +-40 cents over whole periods is 28.3."""
    cents = 40 * np.sin(2 * np.pi * np.arange(LOOKS) / 6)
    where = 80 * 2 ** (cents / 1200)
    found = steadiness.measure(built_tracks(flat(), [80], position=[where]))
    assert found[0] == pytest.approx(40 / math.sqrt(2), rel=0.01)


def test_frames_count_by_amplitude():
    """Oracle: hand-worked: a place 40 dB below weighs a hundredth: sqrt(w (1 - w)) of the way."""
    where = np.full(LOOKS, 60.0)
    level = np.full(LOOKS, -20.0)
    where[0], level[0] = 61.0, -60.0
    share = 0.01 / (LOOKS - 1 + 0.01)
    deviation = math.sqrt(share * (1 - share))
    found = steadiness.measure(built_tracks(flat(), [60], position=[where], level_db=[level]))
    assert found[0] == pytest.approx(1200 / math.log(2) * deviation / (60 + share), rel=0.01)


def test_a_line_seen_twice_is_not_called_steady():
    """Oracle: the documented answer of 100 cents for lines seen fewer than three times."""
    present = [[0.0] * 20 + [1.0] * 2]
    found = steadiness.measure(built_tracks(flat(), [40], present=present))
    assert found[0] == steadiness.UNKNOWN_CENTS == 100


# growth, ours


@given(st.floats(-90, -30), st.floats(-4, 4), st.sampled_from([0.005, 0.01, 0.02]))
def test_growth_of_a_straight_line_is_its_slope(start_db, slope_db, step_s):
    """Oracle: closed form, dB per second with its sign."""
    level = start_db + slope_db * np.arange(LOOKS)
    found = growth.measure(built_tracks(flat(), [40], level_db=[level], step_s=step_s))
    assert found[0] == pytest.approx(slope_db / step_s, abs=0.01 / step_s * 0.1)


def test_growth_is_the_least_squares_slope_over_the_frames_seen():
    """Oracle: numpy.polyfit on the frames in which the line was a peak."""
    rng = np.random.default_rng(2)
    level = -60 + 0.7 * np.arange(LOOKS) + rng.standard_normal(LOOKS)
    present = np.ones(LOOKS)
    present[[2, 7, 8]] = 0
    seen = present > 0
    wanted = np.polyfit(np.arange(LOOKS)[seen] * 0.01, level[seen], 1)[0]
    tracks = built_tracks(flat(), [40], level_db=[level], present=[present])
    assert growth.measure(tracks)[0] == pytest.approx(wanted, rel=1e-3)
