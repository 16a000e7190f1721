"""Loop physics against handbook values, published worked examples and reference filters."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import freqz

from prehowl.detectors.bands import edges_hz, exact_centres_hz, octaves_off_centre
from prehowl.detectors.loop import (
    RESERVE_DB,
    advised_cut_db,
    candidate_spacing_hz,
    growth_db_per_s,
    loop_delay,
    margin_db,
    peaking_share,
    speed_of_sound,
)

# speed of sound


def test_speed_at_20_degrees_is_the_published_value():
    """Oracle: published worked value of the root form, 343.2 m/s at 20 °C."""
    assert speed_of_sound(20) == pytest.approx(343.2, abs=0.05)


@pytest.mark.parametrize(("temperature_c", "feet_per_s"), [(0, 1085.1), (20, 1124.1)])
def test_speed_lies_within_the_spread_of_textbooks(temperature_c, feet_per_s):
    """Oracle: J. O. Smith, Physical Audio Signal Processing (read in full); textbooks differ by 0.2 %."""  # noqa: E501
    assert speed_of_sound(temperature_c) == pytest.approx(feet_per_s * 0.3048, rel=0.0025)


@pytest.mark.parametrize(
    ("temperature_c", "metres_per_s"),
    [(0, 331.3), (10, 337.3), (15, 340.3), (20, 343.2), (25, 346.1), (30, 349.0), (40, 354.7)],
)
def test_speed_agrees_with_the_form_of_iso_9613_1(temperature_c, metres_per_s):
    """Oracle: ISO 9613-1 form, 343.2 sqrt((T + 273.15) / 293.15) (formula from memory)."""
    iso = 343.2 * math.sqrt((temperature_c + 273.15) / 293.15)
    assert iso == pytest.approx(metres_per_s, abs=0.06)
    assert speed_of_sound(temperature_c) == pytest.approx(iso, rel=2e-4)


@pytest.mark.parametrize("wrong", [-273.15, -300.0, float("nan")])
def test_below_absolute_zero_there_is_no_sound(wrong):
    """Oracle: the documented error."""
    with pytest.raises(ValueError, match=r"above -273\.15"):
        speed_of_sound(wrong)


def test_loop_delay_adds_the_air_and_the_electronics():
    """Oracle: arithmetic; 3.432 m at 20 °C take 10 ms."""
    assert loop_delay(3.432, 0.002) == pytest.approx(0.012, rel=1e-3)
    assert loop_delay(3.432, 0.0, 40) < loop_delay(3.432, 0.0, 0)


# spacing, growth, margin


@pytest.mark.parametrize(
    ("delay_s", "spacing_hz"), [(0.002, 500), (0.010, 100), (0.100, 10), (0.025, 40)]
)
def test_candidates_lie_one_over_the_delay_apart(delay_s, spacing_hz):
    """Oracle: D. Troxel, Sound & Video Contractor, July 2006 (known from its abstract)."""
    assert candidate_spacing_hz(delay_s) == pytest.approx(spacing_hz)


@pytest.mark.parametrize(("excess_db", "delay_s", "growth"), [(0.5, 0.010, 50), (0.5, 0.100, 5)])
def test_growth_is_the_excess_over_the_delay(excess_db, delay_s, growth):
    """Oracle: the worked examples of the same article (known from its abstract)."""
    assert growth_db_per_s(excess_db, delay_s) == pytest.approx(growth)


@pytest.mark.parametrize("gain_db", [-3.0, 0.5, 1.0])
def test_growth_is_that_of_a_loop_played_sample_by_sample(gain_db):
    """Oracle: slow reference, y[n] = g y[n - 480] at 48 kHz from one click."""
    g, delay = 10 ** (gain_db / 20), 480
    y = np.zeros(48_000)
    y[0] = 1.0
    for n in range(delay, len(y)):
        y[n] = g * y[n - delay]
    trips = np.flatnonzero(y)
    slope = np.polyfit(trips / 48_000, 20 * np.log10(y[trips]), 1)[0]
    assert growth_db_per_s(gain_db, delay / 48_000) == pytest.approx(slope, rel=1e-6)


@given(st.floats(-60, 60), st.floats(1e-3, 1))
def test_margin_undoes_growth(gain_db, delay_s):
    """Oracle: property; margin is minus the loop gain."""
    growth = growth_db_per_s(gain_db, delay_s)
    assert margin_db(growth, delay_s) == pytest.approx(-gain_db, abs=1e-9)


# cuts


def cookbook_peaking(gain_db: float, f0_hz: float, rate_hz: float, octaves: float):
    """Return b, a of the W3C Audio EQ Cookbook's peaking filter (note of 8 June 2021, read)."""
    a_lin, w0 = 10 ** (gain_db / 40), 2 * math.pi * f0_hz / rate_hz
    alpha = math.sin(w0) * math.sinh(math.log(2) / 2 * octaves * w0 / math.sin(w0))
    b = np.array([1 + alpha * a_lin, -2 * math.cos(w0), 1 - alpha * a_lin])
    a = np.array([1 + alpha / a_lin, -2 * math.cos(w0), 1 - alpha / a_lin])
    return b / a[0], a / a[0]


def response_db(gain_db: float, f0_hz: float, at_hz, rate_hz: float = 48_000.0):
    """Return that filter's response for a third of an octave, by scipy.signal.freqz."""
    b, a = cookbook_peaking(gain_db, f0_hz, rate_hz, 1 / 3)
    _, h = freqz(b, a, worN=np.atleast_1d(np.asarray(at_hz, float)), fs=rate_hz)
    return 20 * np.log10(np.abs(h))


def test_the_reference_filter_is_the_cookbooks():
    """Oracle: coefficients and responses worked out from the cookbook for 1 kHz at 48 kHz."""
    b, a = cookbook_peaking(-3, 1000, 48_000, 1 / 3)
    np.testing.assert_allclose(b, [0.9948323375, -1.9478040969, 0.9697792842], atol=1e-9)
    np.testing.assert_allclose(a[1:], [-1.9478040969, 0.9646116216], atol=1e-9)
    np.testing.assert_allclose(
        response_db(-3, 1000, [500, 794.3, 891.25, 1000, 1122.0, 1258.9, 2000]),
        [-0.07, -0.60, -1.51, -3.00, -1.51, -0.60, -0.07],
        atol=0.006,
    )


def test_at_the_edge_of_its_band_half_of_a_cut_arrives():
    """Oracle: the cookbook's defining bandwidth; worked: a 3 dB cut takes 1.51 dB at 891.25 Hz."""
    assert peaking_share(1 / 6) == pytest.approx(0.5, abs=0.005)
    assert peaking_share(math.log2(891.25 / 1000)) == pytest.approx(1.51 / 3.0, abs=0.01)
    assert peaking_share(0) == 1


@pytest.mark.parametrize("f0_hz", [100, 1000])
@pytest.mark.parametrize("octaves_off", [-1, -1 / 3, -1 / 6, -0.05, 0, 0.1, 1 / 6, 1 / 3, 1])
def test_share_is_that_of_the_peaking_filter_at_small_cuts(f0_hz, octaves_off):
    """Oracle: scipy.signal.freqz of the cookbook filter at -0.1 dB, to 0.01 of the cut."""
    arrives = response_db(-0.1, f0_hz, f0_hz * 2**octaves_off)[0] / -0.1
    assert peaking_share(octaves_off) == pytest.approx(arrives, abs=0.01)


@pytest.mark.parametrize("cut_db", [3.0, 6.0])
def test_share_holds_for_the_cuts_that_are_advised(cut_db):
    """Oracle: freqz of the cookbook filter; within 2 % of the cut for all up to half an octave."""
    off = np.linspace(-0.5, 0.5, 41)
    arrives = response_db(-cut_db, 1000, 1000 * 2**off) / -cut_db
    share = np.array([peaking_share(x) for x in off])
    np.testing.assert_allclose(share, arrives, atol=0.02)


@given(st.floats(-2, 2))
def test_share_is_even_and_between_nothing_and_all(octaves_off):
    """Oracle: property; a bell on a logarithmic axis."""
    assert 0 < peaking_share(octaves_off) <= 1
    assert peaking_share(octaves_off) == pytest.approx(peaking_share(-octaves_off))


MARGINS = st.floats(-40, 40)
FREQUENCIES = st.floats(20, 20_000)
STEPS = st.sampled_from([0.5, 1.0, 1.5, 2.0, 3.0])


@given(MARGINS, FREQUENCIES, STEPS, st.integers(1, 12))
def test_advice_is_a_whole_number_of_fader_steps_up_to_the_cap(margin, frequency_hz, step, steps):
    """Oracle: property."""
    cap = steps * step
    cut = advised_cut_db(margin, frequency_hz, cap_db=cap, step_db=step)
    assert 0 < cut <= cap
    assert cut / step == pytest.approx(round(cut / step))


@given(MARGINS, MARGINS, FREQUENCIES)
def test_more_excess_never_asks_for_less_cut(a, b, frequency_hz):
    """Oracle: property (monotone)."""
    assert advised_cut_db(max(a, b), frequency_hz) <= advised_cut_db(min(a, b), frequency_hz)


@given(st.floats(-10, 2), FREQUENCIES)
def test_what_is_advised_really_stops_the_ring(margin, frequency_hz):
    """Oracle: freqz of the cookbook filter: below the cap the cut leaves the reserve, less 2 %."""
    cut = advised_cut_db(margin, frequency_hz, cap_db=1000)
    octaves = octaves_off_centre(frequency_hz)
    arrives = -response_db(-cut, 1000, 1000 * 2**octaves)[0] if cut <= 6 else None
    if arrives is not None:
        assert margin + arrives >= RESERVE_DB - 0.02 * cut - 1e-9


@pytest.mark.parametrize("number", range(31))
def test_on_the_edge_of_a_band_twice_the_cut_is_needed(number):
    """Oracle: hand-worked: 1 dB over plus 1.5 dB reserve = 2.5 dB, at the edge twice that."""
    centre, edge = exact_centres_hz()[number], edges_hz()[number] * 1.000001
    assert advised_cut_db(-1, centre, cap_db=12) == pytest.approx(2.5)
    # Half the cut to 0.5 % (base-ten band, filter of a third of an octave): next step at most.
    assert advised_cut_db(-1, edge, cap_db=12) in (5.0, 5.5)
