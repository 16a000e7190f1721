"""Equaliser responses against the published filter, scipy, and facts of the trade."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import sosfreqz

from prehowl.detectors.bands import NOMINAL_HZ, edges_hz, exact_centres_hz
from prehowl.detectors.graphic_eq import (
    FULL_THROW_DB,
    EqKind,
    fader_q,
    graphic_response_db,
    graphic_sections,
)
from prehowl.detectors.loop import peaking_share
from prehowl.detectors.parametric_eq import Notch, notch_response_db
from prehowl.detectors.peaking import (
    THIRD_OCTAVE_Q,
    peaking,
    q_of_width,
    response_db,
    width_of_q,
)

RATE_HZ = 48_000

# W3C Audio EQ Cookbook (Working Group Note, 8 June 2021), peakingEQ, worked by hand for 48 kHz,
# 1 kHz, a third of an octave (digital form: alpha = 0.0151559776), normalised by a0.
WORKED = {
    -3.0: ((0.9948323375, -1.9478040969, 0.9697792842), (-1.9478040969, 0.9646116216)),
    -6.0: ((0.9895450468, -1.9413289996, 0.9685356042), (-1.9413289996, 0.9580806510)),
}
ALPHA = 0.0151559776
AT_HZ = (500, 794.3, 891.25, 1000, 1122.0, 1258.9, 2000)
WORKED_DB = {
    -3.0: (-0.07, -0.60, -1.51, -3.00, -1.51, -0.60, -0.07),
    -6.0: (-0.15, -1.24, -3.01, -6.00, -3.01, -1.24, -0.15),
}

faders = st.lists(st.sampled_from([0.0, -0.5, -3.0, -6.0, -12.0, 2.0]), min_size=31, max_size=31)


def _with(**bands_db: float) -> list[float]:
    """Return 31 faders, some moved: `_with(b1000=-3)`."""
    wanted = {float(name[1:].replace("_", ".")): gain for name, gain in bands_db.items()}
    return [wanted.get(float(nominal), 0.0) for nominal in NOMINAL_HZ]


@pytest.mark.parametrize("gain_db", [-3.0, -6.0])
def test_coefficients_are_those_of_the_cookbook(gain_db):
    """Oracle: published formula (W3C note), worked by hand."""
    q = np.sin(2 * np.pi * 1000 / RATE_HZ) / (2 * ALPHA)
    b, a = WORKED[gain_db]
    np.testing.assert_allclose(peaking(1000, gain_db, q, RATE_HZ), [*b, 1, *a], atol=6e-10)


@pytest.mark.parametrize("gain_db", [-3.0, -6.0])
def test_one_fader_reaches_its_neighbours_as_published(gain_db):
    """Oracle: the W3C formula worked by hand, to the two decimals printed."""
    setting = _with(b1000=gain_db)
    found = graphic_response_db(setting, AT_HZ, RATE_HZ)
    np.testing.assert_allclose(found, WORKED_DB[gain_db], atol=0.011)


@pytest.mark.parametrize("sign", [-1, 1])
def test_three_decibels_arrive_as_one_and_a_half_a_sixth_of_an_octave_off(sign):
    """Oracle: definition of the cookbook's width: half the decibels at its ends; Q = 4.32."""
    at = 1000 * 2 ** (sign / 6)
    assert response_db(peaking(1000, -3, 4.32, RATE_HZ)[None], at, RATE_HZ) == pytest.approx(
        -1.5, abs=0.02
    )


def test_a_ring_between_two_faders_needs_both():
    """Oracle: the W3C formula worked by hand: 3 dB on both sides of an edge give about 3 dB."""
    edge = 1000 * 10**0.05
    setting = _with(b1000=-3, b1250=-3)
    assert graphic_response_db(setting, edge, RATE_HZ) == pytest.approx(-3.0, abs=0.05)


def test_a_third_of_an_octave_is_q_4_32():
    """Oracle: 1/Q = 2 sinh((ln 2 / 2) BW), W3C note; 4.318 for a third of an octave."""
    assert q_of_width(1 / 3) == pytest.approx(4.318, abs=5e-4)
    assert q_of_width(1) == pytest.approx(1.414, abs=5e-4)
    assert width_of_q(q_of_width(0.17)) == pytest.approx(0.17)
    with pytest.raises(ValueError, match="above 0 octaves"):
        q_of_width(0)
    with pytest.raises(ValueError, match="Q must be above 0"):
        width_of_q(-1)


@settings(max_examples=40, deadline=None)
@given(faders, st.sampled_from([44_100, 48_000, 96_000]), st.sampled_from(list(EqKind)))
def test_the_response_is_that_of_the_same_coefficients_in_scipy(gains, rate_hz, kind):
    """Oracle: scipy.signal.sosfreqz on the same sections."""
    sections = graphic_sections(gains, rate_hz, kind)
    frequency = np.geomspace(20, 20_000, 60)
    found = graphic_response_db(gains, frequency, rate_hz, kind)
    if len(sections):
        _, response = sosfreqz(sections, frequency, fs=rate_hz)
        np.testing.assert_allclose(found, 20 * np.log10(np.abs(response)), atol=1e-8)
    else:
        assert not found.any()


@settings(max_examples=30, deadline=None)
@given(faders, st.sampled_from(list(EqKind)))
def test_decibels_of_faders_add_up(gains, kind):
    """Oracle: filters in series multiply, so their decibels add."""
    frequency = np.geomspace(20, 20_000, 40)
    alone = [
        graphic_response_db(
            [g if n == i else 0 for n, g in enumerate(gains)], frequency, 48e3, kind
        )
        for i in range(31)
    ]
    together = graphic_response_db(gains, frequency, 48e3, kind)
    np.testing.assert_allclose(together, np.sum(alone, axis=0), atol=1e-9)


@pytest.mark.parametrize("kind", list(EqKind))
def test_each_fader_gives_its_decibels_at_its_own_centre(kind):
    """Oracle: definition of a peaking filter, at all 31 ISO 266 bands of a 48 kHz desk."""
    for number, centre in enumerate(exact_centres_hz()):
        gains = [0.0] * 31
        gains[number] = -4.5
        assert graphic_response_db(gains, centre, RATE_HZ, kind) == pytest.approx(-4.5)


def test_a_cut_undoes_a_boost():
    """Oracle: the W3C note: a cut of N dB undoes a boost of N dB for the same Q."""
    frequency = np.geomspace(20, 20_000, 200)
    both = np.array([peaking(1000, g, THIRD_OCTAVE_Q, RATE_HZ) for g in (6, -6)])
    np.testing.assert_allclose(response_db(both, frequency, RATE_HZ), 0, atol=1e-12)


def test_proportional_q_is_broad_for_small_moves_and_narrow_at_full_throw():
    """Oracle: Bohn 1986 (from memory): about an octave at 3 dB, a third at full throw."""
    kind = EqKind.PROPORTIONAL_Q
    assert width_of_q(fader_q(-3, kind)) == pytest.approx(1.0)
    assert width_of_q(fader_q(-FULL_THROW_DB, kind)) == pytest.approx(1 / 3, abs=1e-3)
    widths = [width_of_q(fader_q(-cut, kind)) for cut in np.arange(0, 15, 0.5)]
    assert all(wide >= narrow for wide, narrow in itertools.pairwise(widths))
    small = graphic_response_db(_with(b1000=-3), 1000 * 2**0.5, RATE_HZ, kind)
    assert small == pytest.approx(-1.5, abs=0.05)


def test_constant_q_is_as_wide_at_every_cut():
    """Oracle: definition: half the decibels arrive at the same place whatever the cut."""
    edge = 1000 * 2 ** (1 / 6)
    shares = [
        float(graphic_response_db(_with(b1000=-cut), edge, RATE_HZ)) / -cut for cut in (0.5, 3, 12)
    ]
    assert shares == pytest.approx([0.5] * 3, abs=0.01)


def test_the_rule_of_thumb_of_the_advice_agrees_with_the_filter():
    """Oracle: two ways to the same figure: closed form for small cuts, and the digital filter."""
    for off in (-1 / 6, -0.1, 0.05, 1 / 6):
        share = graphic_response_db(_with(b1000=-1), 1000 * 2**off, RATE_HZ) / -1
        assert share == pytest.approx(peaking_share(off), abs=0.01)


def test_a_flat_equaliser_is_the_identity():
    """Oracle: definition."""
    assert graphic_sections([0.0] * 31, RATE_HZ).shape == (0, 6)
    assert not graphic_response_db([0.0] * 31, edges_hz()[:-1], RATE_HZ).any()


def test_bands_beyond_the_sampling_rate_do_nothing():
    """Oracle: the documented limit, 0.45 of the rate: 20 kHz at 44.1 kHz."""
    assert len(graphic_sections(_with(b20000=-6), 44_100)) == 0
    assert len(graphic_sections(_with(b20000=-6), 48_000)) == 1


def test_a_frequency_above_half_the_rate_is_refused():
    """Oracle: the documented error."""
    with pytest.raises(ValueError, match="0 to 24000 Hz"):
        graphic_response_db([0.0] * 31, [25_000.0], RATE_HZ)


def test_notches_are_the_same_filter():
    """Oracle: the W3C formula worked by hand, and scipy.signal.sosfreqz."""
    q = np.sin(2 * np.pi * 1000 / RATE_HZ) / (2 * ALPHA)
    found = notch_response_db([Notch(1000, q, 6)], AT_HZ, RATE_HZ)
    np.testing.assert_allclose(found, WORKED_DB[-6.0], atol=0.006)
    two = [Notch(400, 8, 3), Notch(3100, 5, 4.5)]
    sections = np.array([peaking(n.frequency_hz, -n.depth_db, n.q, RATE_HZ) for n in two])
    _, response = sosfreqz(sections, np.array(AT_HZ), fs=RATE_HZ)
    expected = 20 * np.log10(np.abs(response))
    np.testing.assert_allclose(notch_response_db(two, AT_HZ, RATE_HZ), expected, atol=1e-9)


@pytest.mark.parametrize(
    ("numbers", "message"),
    [((0, 1, 1), "above 0 Hz"), ((1000, 0, 1), "Q must"), ((1000, 1, -1), "0 dB or more")],
)
def test_a_notch_that_is_none_is_refused(numbers, message):
    """Oracle: the documented errors."""
    with pytest.raises(ValueError, match=message):
        Notch(*numbers)


def test_a_notch_above_half_the_rate_is_refused():
    """Oracle: the documented error."""
    with pytest.raises(ValueError, match="30000 Hz needs more"):
        notch_response_db([Notch(30_000, 1, 3)], [100], RATE_HZ)
