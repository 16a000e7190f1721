"""A howl that goes on is not told as over, and one that is over is: whatever passes meanwhile."""

import numpy as np
import pytest
from signals import Rise, amplitude, channels, pink_noise, sine, times, white_noise

from prehowl.detectors.engine import ChannelSetup, Engine
from prehowl.detectors.rings import RingChange, RingState

RATE_HZ = 48_000
SECONDS = 4.5
PASSES_S = 2.6
"""Until then the ring has howled for a second."""


def events(sound: np.ndarray) -> list[RingChange]:
    """Return all changes of one channel."""
    engine = Engine(RATE_HZ, [ChannelSetup()])
    return [*engine.feed(channels(sound)), *engine.finish()]


def howl(
    frequency_hz: float = 1000.7, top_dbfs: float = -12, noise_dbfs: float = -40, growth: float = 60
) -> np.ndarray:
    """Return a howl that begins in noise and goes on to the end."""
    rise = Rise(frequency_hz, growth, starts_s=0.2, top_dbfs=top_dbfs, held_s=100)
    noise = pink_noise(SECONDS, RATE_HZ, level_dbfs=noise_dbfs, seed=1)
    return np.asarray(rise.samples(SECONDS, RATE_HZ) + noise)


def gate(begins_s: float, ends_s: float) -> np.ndarray:
    """Return 1 from one time to another, 0 elsewhere, with ramps of 20 ms."""
    t = times(SECONDS, RATE_HZ)
    return np.clip((t - begins_s) / 0.02, 0, 1) * np.clip((ends_s - t) / 0.02, 0, 1)


def without(sound: np.ndarray, seconds: float) -> np.ndarray:
    """Return the sound with silence in the place of samples that were lost."""
    lost = sound.copy()
    begin = round(PASSES_S * RATE_HZ) + 177
    lost[begin : begin + round(seconds * RATE_HZ)] = 0
    return lost


def vowel() -> np.ndarray:
    """Return a loud vowel on 200 Hz with vibrato, whose third partial sweeps over 603 Hz."""
    t = times(SECONDS, RATE_HZ)
    phase = 2 * np.pi * np.cumsum(200 * (1 + 0.03 * np.sin(2 * np.pi * 5.5 * t))) / RATE_HZ
    partials = [amplitude(-16 - 2 * k) * np.sin(k * phase) for k in range(1, 9)]
    return np.asarray(sum(partials) * gate(PASSES_S, PASSES_S + 0.8))


def hit(seconds: float, level_dbfs: float) -> np.ndarray:
    """Return a burst of white noise."""
    noise = white_noise(SECONDS, RATE_HZ, level_dbfs=level_dbfs, seed=3)
    return np.asarray(noise * gate(PASSES_S, PASSES_S + seconds))


def beside() -> np.ndarray:
    """Return a note a semitone and a half above 400 Hz, on and off."""
    note = sine(447, SECONDS, RATE_HZ, level_dbfs=-20)
    return np.asarray(note * (gate(1.5, 2.5) + gate(2.8, 3.8)))


@pytest.mark.parametrize(
    "sound",
    [
        pytest.param(without(howl(), 512 / RATE_HZ), id="one block lost"),
        pytest.param(without(howl(), 0.03), id="30 ms lost"),
        pytest.param(howl(top_dbfs=-30, noise_dbfs=-58) + hit(0.06, -6), id="drum"),
        pytest.param(howl(top_dbfs=-20, noise_dbfs=-45) + hit(0.6, -4), id="applause"),
        pytest.param(howl(603, top_dbfs=-36, noise_dbfs=-55, growth=40) + vowel(), id="vowel"),
        pytest.param(
            howl(400.3, top_dbfs=-10, noise_dbfs=-50, growth=20) + beside(), id="note beside it"
        ),
    ],
)
def test_a_howl_that_goes_on_is_one_ring_to_the_end(sound):
    """Oracle: truth of the signal: it begins once and never stops; only the stream ends it."""
    told = events(sound)
    assert len({change.id for change in told}) == 1
    states = [change.state for change in told]
    assert states[-3:] == [RingState.RINGING, RingState.HOWLING, RingState.CLEARED]
    assert told[-1].sample > (SECONDS - 0.02) * RATE_HZ


@pytest.mark.parametrize("lost_s", [0.7, 1.2])
def test_a_howl_that_is_back_after_a_gap_is_alarmed_though_it_does_not_rise(lost_s):
    """Oracle: truth: it was there before and after; told within 0.4 s after the gap, with the
    growth, and so the advice, that was seen when it rose."""
    told = events(without(howl(), lost_s))
    alarms = [change for change in told if change.state is RingState.RINGING]
    assert len(alarms) == 2
    back_s = PASSES_S + lost_s
    assert back_s < alarms[1].sample / RATE_HZ < back_s + 0.4
    assert alarms[1].frequency_hz == pytest.approx(1000.7, abs=0.5)
    assert alarms[1].growth_db_per_s == pytest.approx(60, rel=0.34)
    assert alarms[1].cut_db is not None


def test_a_howl_that_goes_over_to_the_next_mode_is_alarmed_there():
    """Oracle: truth: the line jumps by 19 cents at one level, as a loop's does when it changes."""
    t = times(SECONDS, RATE_HZ)
    hz = np.where(t < PASSES_S, 5000.0, 5055.0)
    line = amplitude(-12) * np.sin(2 * np.pi * np.cumsum(hz) / RATE_HZ)
    rise = np.minimum(1, 10 ** (60 * (t - 1.4) / 20))
    noise = pink_noise(SECONDS, RATE_HZ, level_dbfs=-40, seed=2)
    told = events(line * rise + noise)
    alarms = [change for change in told if change.state is RingState.RINGING]
    assert [round(alarm.frequency_hz) for alarm in alarms] == [5000, 5055]
    assert PASSES_S < alarms[1].sample / RATE_HZ < PASSES_S + 0.8


def test_a_note_that_is_sung_where_a_howl_was_pulled_is_no_howl():
    """Oracle: truth: the howl is gone at 1.9 s; what comes then wanders as a voice does."""
    t = times(SECONDS, RATE_HZ)
    rise = Rise(600.0, 60.0, starts_s=0.2, top_dbfs=-30, held_s=0.3, decay_db_per_s=150)
    wander = 1 + 0.006 * np.sin(2 * np.pi * 5 * t)
    sung = amplitude(-28) * np.sin(2 * np.pi * np.cumsum(600 * wander) / RATE_HZ) * gate(2.4, 4.2)
    noise = pink_noise(SECONDS, RATE_HZ, level_dbfs=-55, seed=4)
    told = events(rise.samples(SECONDS, RATE_HZ) + sung + noise)
    assert sum(change.state is RingState.RINGING for change in told) == 1
    assert rise.stops_s < told[-1].sample / RATE_HZ or told[-1].state is RingState.CLEARED


def test_a_line_that_is_back_where_it_rose_from_is_over():
    """Oracle: truth: hum that swells by 9 dB and goes back stands, and does not howl."""
    t = times(SECONDS, RATE_HZ)
    level = -45 + np.clip((t - 1) * 15, 0, 9) * (t < 3)
    hum = 10 ** (level / 20) * np.sin(2 * np.pi * 100 * t)
    told = events(hum + pink_noise(SECONDS, RATE_HZ, level_dbfs=-62, seed=5))
    assert RingState.RINGING in {change.state for change in told}  # one channel cannot know
    assert told[-1].state is RingState.CLEARED
    assert 3 < told[-1].sample / RATE_HZ < 4


@pytest.mark.parametrize("growth", [15.0, 40.0, 150.0])
def test_the_same_howl_again_is_alarmed_no_later_than_the_first_time(growth):
    """Oracle: invariance: it rises as before, out of the same noise, 3 s after it was pulled."""
    first, again = (
        Rise(2003.0, growth, starts_s=at_s, top_dbfs=-5, held_s=1.0, decay_db_per_s=300)
        for at_s in (1.0, 12.0)
    )
    seconds = 20.0
    noise = pink_noise(seconds, RATE_HZ, level_dbfs=-45, seed=6)
    told = events(first.samples(seconds, RATE_HZ) + again.samples(seconds, RATE_HZ) + noise)
    alarms = [change.sample / RATE_HZ for change in told if change.state is RingState.RINGING]
    assert len(alarms) == 2
    assert alarms[1] - again.starts_s < alarms[0] - first.starts_s + 0.1
