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


@pytest.mark.parametrize("hz", [400.0, 2500.0])
def test_a_howl_that_is_interrupted_twice_is_alarmed_twice_more(hz):
    """Oracle: truth: a device that drops out seldom does so only once; the howl stands after it."""
    seconds = 9.0
    rise = Rise(hz, 40.0, starts_s=0.5, top_dbfs=-12, held_s=100).samples(seconds, RATE_HZ)
    sound = rise + pink_noise(seconds, RATE_HZ, level_dbfs=-20, seed=11)
    for lost_s in (4.0, 5.6):
        sound[round(lost_s * RATE_HZ) : round((lost_s + 0.6) * RATE_HZ)] = 0
    alarms = [c.sample / RATE_HZ for c in events(sound) if c.state is RingState.RINGING]
    assert len(alarms) == 3
    assert 4.6 < alarms[1] < 5.2
    assert 6.2 < alarms[2] < 7.8


def test_a_howl_that_is_back_stays_under_a_drum():
    """Oracle: truth: a gap at 4 s, a tom near its place at 7 s, and the howl goes on after both."""
    seconds = 10.0
    t = times(seconds, RATE_HZ)
    rise = Rise(400.0, 40.0, starts_s=0.5, top_dbfs=-22, held_s=100).samples(seconds, RATE_HZ)
    level = np.minimum(-1 - 40 * (t - 7), -1)
    tom = np.where(t >= 7, 10 ** (level / 20), 0) * np.sin(2 * np.pi * 401.2 * t)
    sound = rise + tom + pink_noise(seconds, RATE_HZ, level_dbfs=-50, seed=12)
    sound[round(4.0 * RATE_HZ) : round(4.6 * RATE_HZ)] = 0
    told = events(sound)
    assert sum(change.state is RingState.RINGING for change in told) == 2
    assert told[-1].state is RingState.CLEARED
    assert told[-1].sample > (seconds - 0.02) * RATE_HZ
    assert len([c for c in told if c.state is RingState.CLEARED]) == 2


def test_a_reference_that_plays_its_note_for_a_moment_does_not_hide_a_howl_for_good():
    """Oracle: truth: after the gap the reference plays for a quarter of a second, then rests."""
    seconds = 7.0
    t = times(seconds, RATE_HZ)
    rise = Rise(100.0, 40.0, starts_s=0.5, top_dbfs=-12, held_s=100).samples(seconds, RATE_HZ)
    sound = rise + pink_noise(seconds, RATE_HZ, level_dbfs=-35, seed=13)
    sound[round(4.0 * RATE_HZ) : round(4.6 * RATE_HZ)] = 0
    note = sine(98.0, seconds, RATE_HZ, level_dbfs=-20) * ((t > 4.5) & (t < 4.95))
    bass = note + pink_noise(seconds, RATE_HZ, level_dbfs=-60, seed=14)
    engine = Engine(RATE_HZ, [ChannelSetup(), ChannelSetup(is_reference=True)])
    told = [*engine.feed(channels(sound, bass)), *engine.finish()]
    alarms = [c.sample / RATE_HZ for c in told if c.state is RingState.RINGING]
    assert len(alarms) == 2
    assert 4.9 < alarms[1] < 6.0


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


@pytest.mark.parametrize(
    ("hz", "level_dbfs", "noise_dbfs", "up_db", "down_db_per_s"),
    [
        (100, -45, -62, 9, 9000),
        (100, -45, -62, 7, 3),
        (400, -45, -62, 10, 3),
        (200, -36, -70, 8, 15),
    ],
    ids=["hum", "hum that sinks slowly", "higher", "a lone tone, a suspect first"],
)
def test_a_line_that_is_back_where_it_rose_from_is_over(
    hz, level_dbfs, noise_dbfs, up_db, down_db_per_s
):
    """Oracle: truth: a tone that swells and goes back stands, and does not howl."""
    seconds, top_s = 9.0, 3 + up_db / 15
    t = times(seconds, RATE_HZ)
    fall = np.clip((t - top_s - 1.5) * down_db_per_s, 0, up_db)
    level = level_dbfs + np.clip((t - 3) * 15, 0, up_db) - fall
    tone = 10 ** (level / 20) * np.sin(2 * np.pi * hz * t)
    told = events(tone + pink_noise(seconds, RATE_HZ, level_dbfs=noise_dbfs, seed=5))
    alarms = [change for change in told if change.state is RingState.RINGING]
    assert len(alarms) == 1  # one channel cannot know that it is none
    over_s = [
        c.sample / RATE_HZ for c in told if (c.id, c.state.value) == (alarms[0].id, "cleared")
    ]
    assert top_s + 1.5 < over_s[0] < top_s + 1.5 + up_db / down_db_per_s + 1


def test_a_howl_at_the_end_stop_that_something_hid_is_one_ring_to_the_end():
    """Oracle: truth: it is there from the begin, under noise until 2 s, and never stops."""
    loud = sine(1000.7, 6.0, RATE_HZ, level_dbfs=-0.5)
    hiding = white_noise(6.0, RATE_HZ, level_dbfs=-9, seed=8) * (times(6.0, RATE_HZ) < 2)
    told = events(np.clip(loud + hiding, -1, 1))
    alarms = {change.id for change in told if change.state is RingState.RINGING}
    assert len(alarms) == 1
    assert [c.sample > 5.98 * RATE_HZ for c in told if c.state is RingState.CLEARED] == [True]


@pytest.mark.parametrize("hit_s", np.arange(3.0, 3.06, 0.01))
@pytest.mark.parametrize("fall_db_per_s", [40, 80])
def test_a_drum_that_rings_at_its_place_leaves_a_howl_alarmed(hit_s, fall_db_per_s):
    """Oracle: truth: the howl at -16 dBFS goes on under a tom at 803 Hz that dies away."""
    seconds = 6.0
    t = times(seconds, RATE_HZ)
    rise = Rise(800.0, 60.0, starts_s=0.5, top_dbfs=-16, held_s=100).samples(seconds, RATE_HZ)
    level = -2 - fall_db_per_s * (t - hit_s)
    tom = np.where(t >= hit_s, 10 ** (np.minimum(level, -2) / 20), 0) * np.sin(2 * np.pi * 803 * t)
    noise = pink_noise(seconds, RATE_HZ, level_dbfs=-50, seed=9)
    told = events(rise + tom + noise)
    over_s = [c.sample / RATE_HZ for c in told if c.state is RingState.CLEARED]
    again = [c for c in told if c.state is RingState.RINGING and c.sample > hit_s * RATE_HZ]
    assert over_s[-1] > seconds - 0.02 or again


@pytest.mark.parametrize(
    ("howl_hz", "top_dbfs", "note_hz", "noise_dbfs"),
    [(65.0, -15, 73.4, -50), (110.0, -15, 103.83, -50), (1000.0, -28, 1015.0, -24)],
)
def test_a_note_beside_a_howl_that_was_pulled_is_no_howl(howl_hz, top_dbfs, note_hz, noise_dbfs):
    """Oracle: truth: two semitones, one, and a quarter of one off; the note does not rise."""
    seconds = 7.5
    t = times(seconds, RATE_HZ)
    rise = Rise(howl_hz, 20.0, starts_s=0.2, top_dbfs=top_dbfs, held_s=0.5, decay_db_per_s=300)
    begins_s = rise.stops_s + 1.2
    note = sine(note_hz, seconds, RATE_HZ, level_dbfs=top_dbfs - 1)
    note *= np.clip((t - begins_s) / 0.02, 0, 1)
    noise = pink_noise(seconds, RATE_HZ, level_dbfs=noise_dbfs, seed=10)
    noise *= np.where(t < rise.stops_s + 0.2, 1, 0.05)
    told = events(rise.samples(seconds, RATE_HZ) + note + noise)
    late = [c for c in told if c.state is RingState.RINGING and c.sample > begins_s * RATE_HZ]
    assert late == []


def test_a_note_that_is_played_again_and_again_is_not_alarmed_each_time():
    """Oracle: definition: once may be a howl that is back; a tune is none."""
    seconds = 12.0
    t = times(seconds, RATE_HZ)
    level = np.where((t >= 1) & (t < 4), np.minimum(-60 + 20 * (t - 1), -15), -400.0)
    for k in range(4):
        level[(t >= 5 + 1.6 * k) & (t < 5.8 + 1.6 * k)] = -16
    note = 10 ** (level / 20) * np.sin(2 * np.pi * 523.25 * t)
    told = events(note + pink_noise(seconds, RATE_HZ, level_dbfs=-45, seed=14))
    assert sum(change.state is RingState.RINGING for change in told) <= 2


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
