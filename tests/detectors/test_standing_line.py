"""Lines that stand among what is played: a howl whose rise nobody saw is told, hum is not.

The howl comes at once here, so that no rise is to be seen, and a note stood at its place before.
"""

import numpy as np
import pytest
from signals import amplitude, channels, pink_noise, sine, times

from prehowl.detectors.engine import ChannelSetup, Engine
from prehowl.detectors.loop import advised_cut_db
from prehowl.detectors.rings import ALARMS, RingChange
from prehowl.detectors.standing_line import OTHERS

RATE_HZ = 48_000
SECONDS, COMES_S = 11.0, 4.0
HZ = 1503.0


def alarms(*sounds: np.ndarray, references: int = 0, sensitivity: float = 1.0) -> list[RingChange]:
    """Return the alarms of the first channel; the last channels are references."""
    count = len(sounds)
    setups = [
        ChannelSetup(is_reference=ch >= count - references, sensitivity=sensitivity)
        for ch in range(count)
    ]
    told = Engine(RATE_HZ, setups).feed(channels(*sounds))
    return [change for change in told if change.ch == 0 and change.state in ALARMS]


def programme(level_dbfs: float = -24, seconds: float = SECONDS) -> np.ndarray:
    """Return what comes and goes four times a second, as words do, and never rests."""
    t = times(seconds, RATE_HZ)
    words = 0.8 + 0.2 * np.sin(2 * np.pi * 4 * t)
    return np.asarray(words * pink_noise(seconds, RATE_HZ, level_dbfs=level_dbfs, seed=2))


def from_then_on(tone: np.ndarray, comes_s: float = COMES_S) -> np.ndarray:
    """Return a tone that comes at once."""
    return np.asarray(tone * (times(len(tone) / RATE_HZ, RATE_HZ) >= comes_s))


def line(hz: float = HZ, level_dbfs: float = -19) -> np.ndarray:
    """Return a tone that stands."""
    return sine(hz, SECONDS, RATE_HZ, level_dbfs=level_dbfs)


@pytest.mark.parametrize(
    ("hz", "level_dbfs", "needed_s"),
    [
        (155.0, -19, OTHERS[0][1]),
        (440.0, -19, OTHERS[0][1]),
        (HZ, -21, OTHERS[0][1]),
        (7100.0, -19, OTHERS[0][1]),
        (HZ, -14.5, OTHERS[1][1]),
    ],
)
def test_what_comes_at_once_and_stands_among_words_is_alarmed(
    hz: float, level_dbfs: float, needed_s: float
):
    """Oracle: truth: nobody plays a tone for seconds, to a cent, over all else. Nothing is known of
    its growth, so the usual cut is advised."""
    first = alarms(programme() + from_then_on(line(hz, level_dbfs)))[0]
    assert first.frequency_hz == pytest.approx(hz, rel=2e-3)
    assert first.sample / RATE_HZ < COMES_S + needed_s + 0.5
    assert first.growth_db_per_s is None
    assert first.cut_db == advised_cut_db(None, first.frequency_hz, cap_db=6, step_db=0.5)


def test_hits_that_drown_it_do_not_hide_it():
    """Oracle: truth. A hit of 60 ms, 6 dB louder than the howl, every 0.8 s."""
    t = times(SECONDS, RATE_HZ)
    loud = pink_noise(SECONDS, RATE_HZ, level_dbfs=-13, seed=4) * (t % 0.8 < 0.06)
    assert alarms(programme() + loud + from_then_on(line()))


def test_a_word_that_hides_it_for_long_does_not_make_it_old():
    """Oracle: truth: half a second of a loud word, when the long run holds the howl already."""
    t = times(16, RATE_HZ)
    word = pink_noise(16, RATE_HZ, level_dbfs=-6, seed=4) * ((t > 7.6) & (t < 8.1))
    tone = sine(HZ, 16, RATE_HZ, level_dbfs=-19) * (t > 4)
    assert alarms(programme(seconds=16) + word + tone)


def words_apart(t: np.ndarray, level_dbfs: float = -9) -> np.ndarray:
    """Return half a second of a loud word every 1.6 s, and next to nothing between."""
    loud = pink_noise(len(t) / RATE_HZ, RATE_HZ, level_dbfs=level_dbfs, seed=4)
    return np.asarray(loud * np.where(t % 1.6 < 0.5, 1, 0.003))


def test_one_that_is_all_that_is_left_in_each_pause_is_alarmed():
    """Oracle: truth: every word drowns it, and it stays."""
    t = times(16, RATE_HZ)
    tone = sine(HZ, 16, RATE_HZ, level_dbfs=-19) * (t > 4)
    first = alarms(words_apart(t) + tone)[0]
    assert first.frequency_hz == pytest.approx(HZ, rel=2e-3)
    assert first.sample / RATE_HZ < 12


def test_a_tone_that_is_played_between_words_is_not():
    """Oracle: truth: it stops for each word, as a player does who sings."""
    t = times(13, RATE_HZ)
    tone = sine(HZ, 13, RATE_HZ, level_dbfs=-19) * ((t > 4) & (t % 1.6 > 0.5))
    assert alarms(words_apart(t) + tone) == []


def test_a_lone_tone_without_any_word_is_not():
    """Oracle: definition: a line-up tone; a suspect (`lone_tone`)."""
    assert alarms(words_apart(times(SECONDS, RATE_HZ), -60) + from_then_on(line())) == []


@pytest.mark.parametrize("per_second", [0.7, 4.0])
def test_a_lone_tone_that_trembles_is_not(per_second: float):
    """Oracle: truth: 3.5 dB of tremolo are no words beside it."""
    t = times(14, RATE_HZ)
    depth = 1 + 0.2 * np.sin(2 * np.pi * per_second * t)
    tone = from_then_on(sine(HZ, 14, RATE_HZ, level_dbfs=-19) * depth)
    assert alarms(words_apart(t, -60) + tone) == []


@pytest.mark.parametrize(("hz", "decay_s"), [(82.4, 0.5), (220.0, 0.5), (440.0, 0.5)])
def test_a_note_that_is_struck_again_and_again_is_not(hz: float, decay_s: float):
    """Oracle: truth: eighths of a bass or a guitar, that fall by 4 dB between, and words."""
    t = times(16, RATE_HZ)
    struck = np.exp(-(t % 0.25) / decay_s) * np.minimum(1, t % 0.25 / 0.004) * (t > 4)
    note = sine(hz, 16, RATE_HZ, level_dbfs=-16) + sine(2 * hz, 16, RATE_HZ, level_dbfs=-27)
    assert alarms(words_apart(t, -20) + note * struck) == []


@pytest.mark.parametrize("lost_s", [0.02, 0.1])
def test_lost_blocks_are_no_words(lost_s: float):
    """Oracle: definition: a line-up tone in a stream that drops samples each second."""
    t = times(16, RATE_HZ)
    tone = sine(HZ, 16, RATE_HZ, level_dbfs=-19) * (t > 4) * (t % 1.0 >= lost_s)
    assert alarms(words_apart(t, -60) + tone) == []


def test_knocks_far_apart_are_no_words():
    """Oracle: definition: a line-up tone, and somebody at the stand once in 9 s."""
    t = times(30, RATE_HZ)
    knock = pink_noise(30, RATE_HZ, level_dbfs=-6, seed=5) * (t % 9 < 0.2)
    tone = sine(HZ, 30, RATE_HZ, level_dbfs=-19) * (t > 4)
    assert alarms(words_apart(t, -60) + knock + tone) == []


def test_what_a_reference_has_now_and_then_is_music():
    """Oracle: truth: a playback's tone, drowned there by its drums half of the time."""
    t = times(16, RATE_HZ)
    tone = sine(HZ, 16, RATE_HZ, level_dbfs=-19) * (t > 4)
    drums = pink_noise(16, RATE_HZ, level_dbfs=-6, seed=6) * (t % 1.0 < 0.5)
    assert alarms(words_apart(t, -40) + tone, 0.3 * tone + drums, references=1) == []


def test_one_that_came_in_a_pause_is_alarmed_when_the_show_goes_on():
    """Oracle: truth: alone for 6 s, a suspect; then there are words beside it."""
    t = times(16, RATE_HZ)
    words = programme(seconds=16) * np.where((t > 4) & (t < 10), 0.003, 1)
    tone = sine(HZ, 16, RATE_HZ, level_dbfs=-19) * (t > 4)
    first = alarms(words + tone)[0]
    assert 12 < first.sample / RATE_HZ < 15.9


def test_hum_that_is_plugged_in_stays_a_suspect():
    """Oracle: truth: mains hum of 50, 100, 150, 250 and 300 Hz; its partials are no multiples of
    the loudest."""
    hum = sum(
        from_then_on(line(hz, level_dbfs))
        for hz, level_dbfs in ((50, -38), (100, -28), (150, -34), (250, -38), (300, -40))
    )
    assert alarms(programme(-44) + hum) == []


def test_a_line_that_was_there_is_not_new_after_a_ring_at_its_place():
    """Oracle: truth: the ring was pulled; what is left is what stood there from the begin."""
    t = times(16, RATE_HZ)
    level = np.interp(t, [0, 5, 6.2, 7.2, 7.6], [-90, -90, -6, -6, -90])
    ring = 10 ** (level / 20) * np.sin(2 * np.pi * (HZ + 3) * t)
    sound = programme(seconds=16) + sine(HZ, 16, RATE_HZ, level_dbfs=-19) + ring
    assert all(alarm.sample / RATE_HZ < 8.5 for alarm in alarms(sound))


def test_where_fewer_false_alarms_are_asked_for_it_is_a_suspect():
    """Oracle: definition: drones and test tones are played on purpose there."""
    assert alarms(programme() + from_then_on(line()), sensitivity=0.5) == []
    assert alarms(programme() + from_then_on(line()), sensitivity=2.0)


def moved(cents: float, per_second: float) -> np.ndarray:
    """Return a tone whose frequency swings."""
    t = times(SECONDS, RATE_HZ)
    hz = HZ * 2 ** (cents / 1200 * np.sin(2 * np.pi * per_second * t))
    return np.asarray(amplitude(-19) * np.sin(2 * np.pi * np.cumsum(hz) / RATE_HZ))


def trembling() -> np.ndarray:
    """Return a tone with a deep tremolo."""
    return np.asarray(line() * (0.6 + 0.4 * np.sin(2 * np.pi * 1.3 * times(SECONDS, RATE_HZ))))


def short_notes() -> np.ndarray:
    """Return a note of 1.6 s, again and again."""
    return np.asarray(line() * (times(SECONDS, RATE_HZ) % 1.9 < 1.6))


@pytest.mark.parametrize(
    "sound",
    [
        pytest.param(line(), id="it was there when the watch began"),
        pytest.param(from_then_on(line(level_dbfs=-31)), id="much softer than all else"),
        pytest.param(from_then_on(moved(9, 0.7)), id="it moves by 9 cents"),
        pytest.param(from_then_on(trembling()), id="it trembles"),
        pytest.param(from_then_on(short_notes()), id="notes"),
        pytest.param(from_then_on(line(level_dbfs=-41)) - 0.97 * programme(), id="soft"),
    ],
)
def test_what_is_played_or_was_always_there_is_not(sound: np.ndarray):
    """Oracle: truth."""
    assert alarms(programme() + sound) == []


def test_hum_that_shows_when_the_band_stops_is_not_new():
    """Oracle: truth: it stood there before, under what was played."""
    loud = programme(-16) * (times(SECONDS, RATE_HZ) < COMES_S)
    hum = sine(100.0, SECONDS, RATE_HZ, level_dbfs=-26)
    assert alarms(loud + programme(-36) + hum) == []


def test_what_stands_in_a_reference_is_music():
    """Oracle: truth: a playback cannot be in a loop."""
    tone = from_then_on(line())
    assert alarms(programme() + tone, 0.5 * tone, references=1) == []
    assert alarms(programme() + tone, 0.5 * programme(), references=1)
