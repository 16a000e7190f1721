"""The arithmetic of exposure limits against the tables that the limits themselves print."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from prehowl.detectors.exposure import NIOSH, OSHA, allowed_s, day_level_dba, dose

MINUTE_S, HOUR_S = 60.0, 3600.0

CDC_TABLE = {85: 8 * 60, 88: 4 * 60, 91: 2 * 60, 94: 60, 97: 30, 100: 15}
"""dBA -> minutes. CDC (NIOSH), page on noise, table 'time to reach 100 % noise dose'; read."""

TABLE_G16 = {90: 8, 92: 6, 95: 4, 97: 3, 100: 2, 102: 1.5, 105: 1, 110: 0.5, 115: 0.25}
"""dBA -> hours. 29 CFR 1910.95 table G-16; read in a printed copy, not on the law's own page."""

TABLE_G16A = {
    80: "32", 81: "27.9", 82: "24.3", 83: "21.1", 84: "18.4", 85: "16", 86: "13.9", 87: "12.1",
    88: "10.6", 89: "9.2", 90: "8", 91: "7.0", 92: "6.1", 93: "5.3", 94: "4.6", 95: "4", 96: "3.5",
    97: "3.0", 98: "2.6", 99: "2.3", 100: "2", 101: "1.7", 102: "1.5", 103: "1.3", 104: "1.1",
    105: "1", 106: "0.87", 107: "0.76", 108: "0.66", 109: "0.57", 110: "0.5", 111: "0.44",
    112: "0.38", 113: "0.33", 114: "0.29", 115: "0.25",
}  # fmt: skip
"""dBA -> hours as printed. 29 CFR 1910.95 Appendix A, table G-16A, osha.gov; read. (A later copy on
the same site prints 21.2 at 83 dBA; the formula of its own footnote gives 21.11.)"""


@pytest.mark.parametrize(("level_dba", "minutes"), CDC_TABLE.items())
def test_niosh_times_are_those_of_the_cdc_table(level_dba, minutes):
    """Oracle: published table."""
    assert allowed_s(level_dba, NIOSH) == pytest.approx(minutes * MINUTE_S)


@pytest.mark.parametrize(("level_dba", "hours"), TABLE_G16A.items())
def test_osha_times_are_those_of_table_g16a(level_dba, hours):
    """Oracle: published table, to the last digit that it prints."""
    digits = len(hours.partition(".")[2])
    assert abs(allowed_s(level_dba, OSHA) / HOUR_S - float(hours)) <= 0.5001 * 10**-digits


@pytest.mark.parametrize(("level_dba", "hours"), TABLE_G16.items())
def test_osha_times_are_near_those_of_table_g16(level_dba, hours):
    """Oracle: published table, which prints round figures: the formula is within 3 % of them."""
    assert allowed_s(level_dba, OSHA) / HOUR_S == pytest.approx(hours, rel=0.031)


def test_a_howl_of_110_dba_uses_the_niosh_day_in_about_90_s():
    """Oracle: the formula by hand, 28800 / 2^(25 / 3) = 28800 / 322.5 = 89.3 s."""
    assert allowed_s(110, NIOSH) == pytest.approx(89.3, abs=0.05)


def test_above_the_ceiling_there_is_no_allowed_time():
    """Oracle: the rules' ceiling of 115 dBA (NIOSH second hand, OSHA the end of table G-16)."""
    for limit in (NIOSH, OSHA):
        assert allowed_s(115, limit) > 0
        assert allowed_s(115.1, limit) == 0
        assert dose([(116, 1)], limit) == math.inf
        assert dose([(116, 0)], limit) == 0


def test_dose_of_several_spells():
    """Oracle: 29 CFR 1910.95 App. A, D = C1/T1 + C2/T2: 2 h of 95 dBA and 1 h of 100 dBA make 1."""
    assert dose([(95, 2 * HOUR_S), (100, HOUR_S)], OSHA) == pytest.approx(1.0)
    assert dose([(94, 30 * MINUTE_S), (100, 7.5 * MINUTE_S)], NIOSH) == pytest.approx(1.0)
    assert dose([], NIOSH) == 0


def test_dose_as_a_level():
    """Oracle: App. A, section II: 50 % is a TWA of 85 dBA, 200 % 95 dBA; 98-126 with 10 log10."""
    assert day_level_dba(0.5, OSHA) == pytest.approx(85.0, abs=0.05)
    assert day_level_dba(2.0, OSHA) == pytest.approx(95.0, abs=0.05)
    for share in (0.1, 0.5, 2.0, 10.0):
        assert day_level_dba(share, NIOSH) == pytest.approx(10 * math.log10(share) + 85, abs=0.04)
        assert day_level_dba(share, OSHA) == pytest.approx(16.61 * math.log10(share) + 90, abs=0.01)


@settings(deadline=None)
@given(
    st.floats(60, 115),
    st.floats(0.01, 8 * HOUR_S),
    st.sampled_from([NIOSH, OSHA]),
)
def test_a_steady_day_is_worth_its_own_level(level_dba, duration_s, limit):
    """Property: whatever the split, the dose is the same; a full day's dose means its own level."""
    whole = dose([(level_dba, duration_s)], limit)
    halves = dose([(level_dba, duration_s / 2)] * 2, limit)
    assert halves == pytest.approx(whole)
    assert day_level_dba(dose([(level_dba, 8 * HOUR_S)], limit), limit) == pytest.approx(level_dba)


def test_nonsense_is_refused():
    """A level that is no number, a time that runs backwards and a dose of nothing raise."""
    with pytest.raises(ValueError, match="finite number of decibels"):
        allowed_s(math.nan, NIOSH)
    with pytest.raises(ValueError, match="must be 0 or more"):
        dose([(90, -1)], OSHA)
    with pytest.raises(ValueError, match="must be above 0"):
        day_level_dba(0, NIOSH)
