"""Third-octave bands against ISO 266 and IEC 61260-1."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from prehowl.detectors.bands import (
    NOMINAL_HZ,
    band_index,
    band_label,
    edges_hz,
    exact_centres_hz,
    nominal_hz,
    octaves_off_centre,
)

R10 = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)
"""The R10 series of preferred numbers on which ISO 266:1997 builds (known from its abstract)."""

# x, nominal, exact centre, lower limit, upper limit. IEC 61260-1:2014, base ten (formula from
# memory, consistent with a published note that gives 1000 x 10^(n/10)); values worked out from
# f_m = 1000 G^(x/3), f_1,2 = f_m G^(-+1/6), G = 10^(3/10), to three decimals.
TABLE = """
-17    20     19.953     17.783     22.387
-16    25     25.119     22.387     28.184
-15    31.5   31.623     28.184     35.481
-14    40     39.811     35.481     44.668
-13    50     50.119     44.668     56.234
-12    63     63.096     56.234     70.795
-11    80     79.433     70.795     89.125
-10   100    100.000     89.125    112.202
 -9   125    125.893    112.202    141.254
 -8   160    158.489    141.254    177.828
 -7   200    199.526    177.828    223.872
 -6   250    251.189    223.872    281.838
 -5   315    316.228    281.838    354.813
 -4   400    398.107    354.813    446.684
 -3   500    501.187    446.684    562.341
 -2   630    630.957    562.341    707.946
 -1   800    794.328    707.946    891.251
  0  1000   1000.000    891.251   1122.018
  1  1250   1258.925   1122.018   1412.538
  2  1600   1584.893   1412.538   1778.279
  3  2000   1995.262   1778.279   2238.721
  4  2500   2511.886   2238.721   2818.383
  5  3150   3162.278   2818.383   3548.134
  6  4000   3981.072   3548.134   4466.836
  7  5000   5011.872   4466.836   5623.413
  8  6300   6309.573   5623.413   7079.458
  9  8000   7943.282   7079.458   8912.509
 10 10000  10000.000   8912.509  11220.185
 11 12500  12589.254  11220.185  14125.375
 12 16000  15848.932  14125.375  17782.794
 13 20000  19952.623  17782.794  22387.211
"""
ROWS = [tuple(map(float, line.split())) for line in TABLE.strip().splitlines()]


def test_names_are_the_iso_266_frequencies():
    """Oracle: ISO 266:1997, R10 preferred numbers times powers of ten, 20 Hz to 20 kHz."""
    wanted = [float(f"{mantissa * 10.0**decade:.6g}") for decade in range(1, 5) for mantissa in R10]
    assert list(NOMINAL_HZ) == [hz for hz in wanted if 20 <= hz <= 20_000]
    assert len(NOMINAL_HZ) == 31


def test_centres_and_limits_are_those_of_iec_61260_1():
    """Oracle: the table of IEC 61260-1 values above, to the three decimals printed."""
    centres, limits = exact_centres_hz(), edges_hz()
    assert len(ROWS) == len(centres) == len(limits) - 1 == 31
    for number, (_, nominal, centre, lower, upper) in enumerate(ROWS):
        assert NOMINAL_HZ[number] == nominal
        assert centres[number] == pytest.approx(centre, abs=6e-4)
        assert limits[number] == pytest.approx(lower, abs=6e-4)
        assert limits[number + 1] == pytest.approx(upper, abs=6e-4)


def test_limits_are_a_sixth_of_an_octave_ratio_g_from_the_centre():
    """Oracle: IEC 61260-1, f_1 = G^(-1/6) f_m = 0.891251 f_m, f_2 = G^(1/6) f_m = 1.122018 f_m."""
    g = 10 ** (3 / 10)
    centres, limits = exact_centres_hz(), edges_hz()
    np.testing.assert_allclose(limits[:-1] / centres, g ** (-1 / 6), rtol=1e-12)
    np.testing.assert_allclose(limits[1:] / centres, g ** (1 / 6), rtol=1e-12)
    assert g ** (-1 / 6) == pytest.approx(0.891251, abs=5e-7)
    assert g ** (1 / 6) == pytest.approx(1.122018, abs=5e-7)


@pytest.mark.parametrize(("x", "nominal", "centre", "lower", "upper"), ROWS)
def test_a_band_holds_all_from_its_lower_to_its_upper_limit(x, nominal, centre, lower, upper):
    """Oracle: the table; just inside, in the middle, and just outside on both sides."""
    number = int(x) + 17
    inside = [lower * 1.0001, centre, nominal, upper * 0.9999]
    assert band_index(inside).tolist() == [number] * 4
    assert int(band_index(lower * 0.9999)) == max(number - 1, 0)
    assert int(band_index(upper * 1.0001)) == min(number + 1, 30)


def test_the_lower_limit_itself_belongs_to_the_band():
    """Oracle: definition; limits leave no gap and no overlap."""
    tiny = 1 + 1e-12
    np.testing.assert_array_equal(band_index(edges_hz()[:-1] * tiny), np.arange(31))
    np.testing.assert_array_equal(band_index(edges_hz()[1:] / tiny), np.arange(31))


@pytest.mark.parametrize(
    ("frequency_hz", "name"),
    [
        (891.1, 800),  # 1000 by base-two limits: 890.90
        (44.70, 50),  # 40 by halves between the nominal names; the limit is 44.668
        (112.15, 100),  # 125 by base-two limits: 112.25 is the limit there; 112.202 here
        (2828.0, 3150),  # the nominal middle of 2500 and 3150 is 2825
        (1122.3, 1250),
    ],
)
def test_traps_between_two_names(frequency_hz, name):
    """Oracle: IEC 61260-1 base ten; frequencies that a base-two or nominal rule puts elsewhere."""
    assert nominal_hz(frequency_hz) == name


@pytest.mark.parametrize(
    ("nominal", "label"),
    [(31.5, "31.5 Hz"), (63, "63 Hz"), (800, "800 Hz"), (1000, "1 kHz"), (1250, "1.25 kHz"),
     (2500, "2.5 kHz"), (3150, "3.15 kHz"), (12500, "12.5 kHz"), (20000, "20 kHz")],
)  # fmt: skip
def test_a_band_is_called_as_on_a_fader(nominal, label):
    """Oracle: common practice, no source: k for thousands, no needless zeros."""
    assert band_label(nominal) == label


def test_every_fader_has_its_own_name():
    """Oracle: definition."""
    assert len({band_label(nominal) for nominal in NOMINAL_HZ}) == 31


@pytest.mark.parametrize("wrong", [0, -1.0, float("nan"), [100.0, 0.0]])
def test_a_frequency_that_is_none_is_refused(wrong):
    """Oracle: the documented error."""
    with pytest.raises(ValueError, match="above 0 Hz"):
        band_index(wrong)


@given(st.floats(1e-3, 1e6))
def test_any_frequency_has_a_band_and_distance(frequency_hz):
    """Oracle: property; inside the limits the distance is at most half a band."""
    number = int(band_index(frequency_hz))
    off = octaves_off_centre(frequency_hz)
    assert 0 <= number <= 30
    assert 2**off * exact_centres_hz()[number] == pytest.approx(frequency_hz, rel=1e-9)
    if edges_hz()[0] < frequency_hz < edges_hz()[-1]:
        assert abs(off) <= math.log2(10) / 20 + 1e-9  # half of a tenth of a decade


@given(st.floats(1, 1e5), st.floats(1, 1e5))
def test_a_higher_frequency_never_has_a_lower_band(a, b):
    """Oracle: property (monotone)."""
    low, high = sorted((a, b))
    assert int(band_index(low)) <= int(band_index(high))
