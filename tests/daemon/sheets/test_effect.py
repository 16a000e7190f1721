"""What sheets do, how they differ, and what air does to their rings."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import sosfreqz

from prehowl.daemon.sheets.chart import ASCII, UNICODE, overlay_chart, sheet_chart
from prehowl.daemon.sheets.effect import differences, moved_rings, sheet_loss, sheet_response_db
from prehowl.daemon.sheets.sheet import Sheet, ring_of
from prehowl.daemon.sheets.wording import (
    compare_lines,
    gain_line,
    head_lines,
    notch_lines,
    temperature_lines,
)
from prehowl.detectors.bands import NOMINAL_HZ
from prehowl.detectors.graphic_eq import graphic_sections

AT = "2026-07-04T14:30:00+02:00"
FLAT = Sheet("Wedge 12", "Vocal mic", "Mix 1")
CUT = FLAT.with_faders({11: -3, 21: -4.5, 22: -3, 28: 2})
gains = st.lists(st.integers(-24, 12).map(lambda n: n / 2), min_size=31, max_size=31).map(tuple)


@pytest.mark.parametrize("kind", ["constant-q", "proportional-q"])
def test_the_response_is_that_of_scipy(kind):
    """Oracle: scipy.signal.sosfreqz on the sections of the sheet's own kind and rate."""
    sheet = replace(CUT, eq=kind, rate_hz=96_000)
    frequency = np.geomspace(30, 18_000, 50)
    sections = graphic_sections(sheet.faders_db, 96_000, sheet.kind)
    _, response = sosfreqz(sections, frequency, fs=96_000)
    expected = 20 * np.log10(np.abs(response))
    np.testing.assert_allclose(sheet_response_db(sheet, frequency), expected, atol=1e-9)


def test_above_half_the_rate_nothing_is_said():
    """Oracle: definition; a 16 kHz desk does nothing at 12 kHz."""
    sheet = replace(CUT, rate_hz=16_000)
    assert sheet_response_db(sheet, [12_000.0])[0] == 0


def test_flat_takes_nothing():
    """Oracle: definition."""
    assert (sheet_loss(FLAT).pink_db, sheet_loss(FLAT).speech_db) == (0, 0)
    assert sheet_loss(CUT).pink_db > 0.2


def test_bands_that_differ_by_a_step_are_told():
    """Oracle: definition: a step or more, the coarser step of the two."""
    other = replace(CUT, fader_step_db=1.0).with_faders({11: -3.5, 21: -3.5, 5: -1})
    found = [(one.band_hz, one.first_db, one.second_db) for one in differences(CUT, other)]
    assert found == [(63, 0, -1), (2500, -4.5, -3.5)]
    lines = compare_lines(CUT, other)
    assert lines[0] == "2 bands differ by 1 dB or more:"
    assert lines[-1].split() == ["2.5", "kHz", "-4.5", "-3.5", "+1", "dB"]
    assert compare_lines(CUT, CUT) == ["no band differs by a step (0.5 dB) or more"]


@given(gains, gains)
def test_what_differs_one_way_differs_the_other_way(first, second):
    """Oracle: symmetry; and nothing differs from itself."""
    a, b = replace(FLAT, faders_db=first), replace(FLAT, faders_db=second)
    assert [d.band_hz for d in differences(a, b)] == [d.band_hz for d in differences(b, a)]
    assert differences(a, a) == ()
    assert len(differences(a, b)) == sum(x != y for x, y in zip(first, second, strict=True))


def test_warm_air_moves_rings_up():
    """Oracle: c = 331.3 sqrt(1 + T / 273.15): 349.1 over 343.2 m/s from 20 to 30 degrees."""
    sheet = replace(FLAT, temperature_c=20.0, rings=(ring_of(2210, 3, AT), ring_of(1000, 3, AT)))
    near, far = moved_rings(sheet, 30)
    assert near.frequency_hz == pytest.approx(2210 * np.sqrt(303.15 / 293.15))
    assert (near.was_in_hz, near.band_hz, near.has_crossed) == (2000, 2500, True)
    assert not far.has_crossed
    lines = temperature_lines(sheet, 30)
    assert "+29 cents" in lines[0]
    assert len(lines) == 2
    assert "from 2 kHz to 2.5 kHz" in lines[1]


def test_the_same_air_moves_nothing_and_unknown_air_is_told():
    """Oracle: definition."""
    sheet = replace(FLAT, temperature_c=20.0, rings=(ring_of(2200, 3, AT),))
    assert moved_rings(sheet, 20)[0].frequency_hz == 2200
    assert "all in the band" in temperature_lines(sheet, 21)[0]
    assert "no rings noted" in temperature_lines(replace(sheet, rings=()), 21)[0]
    unknown = replace(sheet, temperature_c=None)
    assert "nobody noted" in temperature_lines(unknown, 21)[0]
    with pytest.raises(ValueError, match="does not tell"):
        moved_rings(unknown, 21)


@settings(max_examples=60, deadline=None)
@given(gains, gains, st.sampled_from([UNICODE, ASCII]))
def test_a_chart_fits_any_terminal(first, second, marks):
    """Oracle: property: at most 80 columns and 19 lines whatever the faders; ASCII stays ASCII."""
    a, b = replace(FLAT, faders_db=first), replace(FLAT, faders_db=second)
    for chart in (sheet_chart(a, marks), overlay_chart(a, b, marks)):
        assert max(map(len, chart)) <= 80
        assert len(chart) <= 19
        assert marks is UNICODE or "".join(chart).isascii()


@pytest.mark.parametrize("band", range(31))
def test_a_bar_hangs_over_its_own_name(band):
    """Oracle: definition: two columns a band behind six of the scale, 3 dB are three rows."""
    chart = sheet_chart(FLAT.with_faders({band: -3}), ASCII)
    column = [line.ljust(80)[6 + 2 * band] for line in chart[2:8]]
    assert column == ["#", "#", "#", " ", " ", " "]
    named = {"31.5": 2, "63": 5, "1k": 17, "16k": 29}
    for name, number in named.items():
        assert chart[-1].index(name) == 6 + 2 * number


def test_half_a_row_is_drawn_and_a_boost_stands_up():
    """Oracle: definition."""
    chart = sheet_chart(FLAT.with_faders({21: -2.5, 10: 1}), UNICODE)
    assert [line.ljust(80)[48] for line in chart[2:7]] == ["─", "█", "█", "▀", " "]
    assert chart[1].ljust(80)[26] == "█"


def test_a_tall_chart_has_rows_of_two_decibels():
    """Oracle: definition: three quarters of a row are drawn as a whole one, a quarter as half."""
    chart = sheet_chart(FLAT.with_faders({0: -16, 21: -1.5, 10: -0.5}), UNICODE)
    rows = {line[:4].strip(): line.ljust(80) for line in chart[1:-1]}
    assert list(rows) == ["0", *(f"-{2 * n}" for n in range(1, 9))]
    assert (rows["-2"][48], rows["-2"][26], rows["-4"][48]) == ("█", "▀", " ")


def test_the_same_as_notches_where_there_is_no_graphic():
    """Oracle: definition: neighbours share a notch; no more than asked for."""
    lines = notch_lines(CUT, 3)
    assert len(lines) == 3
    assert lines[1].split() == ["251", "Hz", "Q", "4.3", "-3", "dB"]
    assert notch_lines(FLAT, 3) == ["as parametric notches, 3 at most:"]
    assert len(notch_lines(replace(FLAT, faders_db=(-3.0,) * 31), 6)) <= 7


def test_what_nobody_noted_is_not_invented():
    """Oracle: definition."""
    assert "nobody noted" in head_lines(FLAT)[1]
    assert gain_line(FLAT) == ""
    won = replace(FLAT, gain_won_db=6.0, gain_won_uncertainty_db=0.5, pull_back_db=6.0)
    assert gain_line(won) == "gain before feedback won: 6 ± 0.5 dB; send pulled back 6 dB"


def test_a_found_ring_knows_its_fader():
    """Oracle: IEC 61260-1: 2240 Hz is past the edge at 2238.7 Hz."""
    assert ring_of(2238, 3, AT).band_hz == 2000
    assert ring_of(2240, 3, AT).band_hz == 2500
    assert all(ring_of(hz, 1, AT).band_hz == hz for hz in NOMINAL_HZ)
