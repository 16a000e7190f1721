"""Which frames a ring is looked at in, while it lives and after it has stopped."""

import pytest

from prehowl.detectors.ring_level import GONE_S, LINGERING_EVERY_S, is_watched
from prehowl.detectors.rings import Ring, RingState
from prehowl.detectors.stopped import BACK_S, StoppedRings

RATE_HZ = 48000
MAIN_HZ, LONG_HZ, SHORT_HZ = 11.7, 5.9, 46.9


def suspect(rise_sample: int | None) -> Ring:
    """Return a suspect that main has found and looked at a moment ago."""
    return Ring(
        id=1,
        ch=0,
        state=RingState.SUSPECT,
        frequency_hz=350.0,
        bin_hz=MAIN_HZ,
        onset_sample=0,
        level_dbfs=-30.0,
        top_dbfs=-30.0,
        growth_db_per_s=None,
        slope_db_per_s=0.0,
        suspicion=0.6,
        seen_sample=0,
        level_sample=0,
        proof_sample=0,
        rise_sample=rise_sample,
    )


@pytest.mark.parametrize("bin_hz", [LONG_HZ, MAIN_HZ])
def test_a_line_that_lingers_is_looked_at_now_and_then_where_it_was_found_and_finer(
    bin_hz: float,
) -> None:
    """Oracle: definition."""
    due = round(LINGERING_EVERY_S * RATE_HZ)
    assert is_watched(suspect(None), bin_hz, due, RATE_HZ)
    assert not is_watched(suspect(None), bin_hz, due - 1, RATE_HZ)
    assert is_watched(suspect(400), bin_hz, due - 1, RATE_HZ)


def test_short_frames_look_at_it_only_when_it_rises_or_the_others_are_left_out() -> None:
    """Oracle: definition; under load whole resolutions are left out."""
    due = round(LINGERING_EVERY_S * RATE_HZ)
    assert not is_watched(suspect(None), SHORT_HZ, due, RATE_HZ)
    assert is_watched(suspect(400), SHORT_HZ, due, RATE_HZ)
    assert is_watched(suspect(None), SHORT_HZ, round((GONE_S + 0.01) * RATE_HZ), RATE_HZ)


def test_only_alarms_are_watched_for_when_they_have_stopped() -> None:
    """Oracle: definition: for `BACK_S`; a suspect that stopped is only remembered."""
    stopped = StoppedRings(RATE_HZ)
    stopped.add(suspect(400), 1000)
    assert stopped
    assert not stopped.may_be_back(1001)
    alarm = suspect(400)
    alarm.frequency_hz, alarm.alarm_dbfs = 900.0, -30.0
    stopped.add(alarm, 1000)
    last = 1000 + round(BACK_S * RATE_HZ) - 1
    assert [stopped.may_be_back(sample) for sample in (1001, last, last + 1)] == [True, True, False]
