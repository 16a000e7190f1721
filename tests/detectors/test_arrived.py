"""What is told of a howl that has arrived, and of notes that are all there is and sink."""

import numpy as np
import pytest
from signals import Rise, amplitude, channels, pink_noise, times

from prehowl.detectors.engine import ChannelSetup, Engine
from prehowl.detectors.rings import ALARMS, RingChange, RingState

RATE_HZ = 48_000


def events(sound: np.ndarray) -> list[RingChange]:
    """Return all changes of one channel."""
    return Engine(RATE_HZ, [ChannelSetup()]).feed(channels(sound))


def noise(seconds: float, level_dbfs: float = -60) -> np.ndarray:
    """Return soft noise."""
    return pink_noise(seconds, RATE_HZ, level_dbfs=level_dbfs, seed=9)


@pytest.mark.parametrize("growth", [60.0, 200.0, 400.0])
@pytest.mark.parametrize("top_dbfs", [-12.0, 0.0])
def test_the_growth_told_does_not_go_down_when_the_howl_is_there(growth: float, top_dbfs: float):
    """Oracle: truth: the loop is as far over its limit as before; only the amplifier is at its end.
    So the cut that is advised does not get smaller either."""
    rise = Rise(1003.0, growth, starts_s=1.0, top_dbfs=top_dbfs, held_s=100)
    told = [c for c in events(noise(5) + rise.samples(5, RATE_HZ)) if c.state in ALARMS]
    assert [c.state for c in told] == [RingState.RINGING, RingState.HOWLING]
    assert told[1].growth_db_per_s >= told[0].growth_db_per_s
    assert told[1].growth_db_per_s == pytest.approx(growth, rel=0.15)
    assert told[1].cut_db >= told[0].cut_db


def test_a_line_that_came_at_once_has_no_known_growth():
    """Oracle: truth: it stands, and never fell; what is played beside it makes it dip by a decibel.
    A margin would say that the loop is in hand."""
    t = times(12, RATE_HZ)
    words = noise(12, -24) * (0.6 + 0.4 * np.sin(2 * np.pi * 3 * t))
    line = amplitude(-14) * np.sin(2 * np.pi * 1003.0 * t) * (t > 3)
    told = [c for c in events(words + line) if c.state is not RingState.CLEARED]
    assert told
    assert {change.growth_db_per_s for change in told} == {None}
    assert {change.margin_db for change in told} == {None}


def vibraphone(depth_db: float, per_second: float, decay_db_per_s: float) -> np.ndarray:
    """Return struck notes that tremble while they sink."""
    t = times(16, RATE_HZ)
    since = t % 4
    level = -18 + np.minimum(60 * since / 0.06 - 60, 0) - decay_db_per_s * since
    level -= depth_db / 2 * (1 - np.cos(2 * np.pi * per_second * since))
    return np.asarray(10 ** (level / 20) * np.sin(2 * np.pi * 1046.5 * t))


@pytest.mark.parametrize(
    ("depth_db", "per_second"), [(4.0, 0.9), (4.0, 1.7), (8.4, 0.9), (8.4, 1.7), (12.0, 0.9)]
)
def test_a_note_that_trembles_and_sinks_is_not_alarmed(depth_db: float, per_second: float):
    """Oracle: truth: a vibraphone with its motor on; it is alone on its channel, and to a cent."""
    sound = noise(16, -65) + vibraphone(depth_db, per_second, 6.0)
    assert [c for c in events(sound) if c.state in ALARMS] == []


def test_a_ring_that_dies_is_not_back():
    """Oracle: truth: two howls at one place, the first softer; the second is pulled and fades."""
    first = Rise(1003.0, 60, starts_s=0.5, top_dbfs=-44, held_s=0.6, decay_db_per_s=300)
    second = Rise(1003.0, 60, starts_s=3.0, top_dbfs=-27, held_s=0.6, decay_db_per_s=22)
    sound = noise(8, -72) + first.samples(8, RATE_HZ) + second.samples(8, RATE_HZ)
    alarms = [c for c in events(sound) if c.state is RingState.RINGING]
    assert len(alarms) == 2
    assert alarms[1].sample / RATE_HZ < second.stops_s
