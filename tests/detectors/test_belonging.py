"""What belongs to a ring and what does not: the loop's next mode, and a ring near a multiple."""

import numpy as np
import pytest
from signals import Rise, channels, pink_noise, times

from prehowl.detectors.engine import ChannelSetup, Engine
from prehowl.detectors.rings import RingChange, RingState

RATE_HZ = 48_000
SECONDS = 9.0


def ringing(sound: np.ndarray) -> list[RingChange]:
    """Return the alarms of one channel."""
    told = Engine(RATE_HZ, [ChannelSetup()]).feed(channels(sound))
    return [change for change in told if change.state is RingState.RINGING]


def howl(hz: float, growth: float, starts_s: float, top_dbfs: float) -> np.ndarray:
    """Return a howl that goes on to the end."""
    rise = Rise(hz, growth, starts_s=starts_s, top_dbfs=top_dbfs, held_s=100)
    return np.asarray(rise.samples(SECONDS, RATE_HZ))


def stage() -> np.ndarray:
    """Return soft noise."""
    return pink_noise(SECONDS, RATE_HZ, level_dbfs=-50, seed=7)


@pytest.mark.parametrize("next_hz", [7051.0, 7250.0])
def test_a_howl_of_the_next_mode_is_one_of_its_own(next_hz: float):
    """Oracle: truth: in a loop of 20 ms the modes lie 50 Hz apart, at 7 kHz 12 cents; here 100 Hz
    off, in the same band and in the next (7079 Hz is the edge of ISO 266's 6.3 kHz)."""
    sound = stage() + howl(7155.0, 60, 0.5, -12)
    sound *= np.clip((4.0 - times(SECONDS, RATE_HZ)) / 0.3, 0.001, 1)
    alarms = ringing(sound + howl(next_hz, 60, 3.9, -10))
    assert [round(alarm.frequency_hz) for alarm in alarms] == [7155, round(next_hz)]
    assert [alarm.band_hz for alarm in alarms] == [8000, 6300 if next_hz < 7079 else 8000]


@pytest.mark.parametrize("cents", [-14, 10, 30])
def test_a_howl_near_a_multiple_of_another_is_one_of_its_own(cents: float):
    """Oracle: truth: near the eighth multiple every second place is near to one."""
    second_hz = 8 * 310.0 * 2 ** (cents / 1200)
    alarms = ringing(stage() + howl(310.0, 60, 0.3, -8) + howl(second_hz, 40, 3.5, -16))
    assert [alarm.frequency_hz for alarm in alarms] == pytest.approx([310.0, second_hz], rel=1e-3)


@pytest.mark.parametrize("over_db", [3, 12, 30])
@pytest.mark.parametrize("hz", [310.3, 1234.5, 2800.0])
def test_what_clipping_makes_of_a_howl_is_none(hz: float, over_db: float):
    """Oracle: truth: a clipped sine has partials at its multiples only."""
    loud = np.clip(howl(hz, 60, 0.3, over_db), -1, 1)
    alarms = ringing(stage() + 0.3 * loud)
    assert [alarm.frequency_hz for alarm in alarms] == pytest.approx([hz], rel=1e-3)
