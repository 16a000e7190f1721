"""Tones that are all there is: a howl is told whatever hid its rise, other loud sound is not.

Tones come at once here, so that no rise is to be seen: what tells them is that they are alone and
stand still; at full scale that is an alarm.
"""

import numpy as np
import pytest
from scipy.signal import sawtooth

from prehowl.detectors.engine import ChannelSetup, Engine
from prehowl.detectors.lone_tone import AT_END_STOP_S, LEAST_SHARE, STANDS_S
from prehowl.detectors.loop import USUAL_CUT_DB
from prehowl.detectors.rings import ALARMS, RingChange, RingState

RATE_HZ = 48000
BEGINS_S = 2.0
FRAME_S, HOP_S = 4096 / RATE_HZ, 1024 / RATE_HZ


def stage(seconds: float, rate_hz: int = RATE_HZ) -> np.ndarray:
    """Return quiet white noise."""
    noise = np.random.default_rng(1).standard_normal(round(seconds * rate_hz))
    return noise * 10 ** (-50 / 20)


def after_a_while(tone: np.ndarray, rate_hz: int = RATE_HZ) -> np.ndarray:
    """Return noise in which a sound begins at once, as an input with an end stop hears it."""
    first = round(BEGINS_S * rate_hz)
    sound = stage(BEGINS_S + len(tone) / rate_hz + 0.5, rate_hz)
    sound[first : first + len(tone)] += tone
    return np.clip(sound, -1, 1)


def time_of(seconds: float, rate_hz: int = RATE_HZ) -> np.ndarray:
    """Return the time of each sample."""
    return np.arange(round(seconds * rate_hz)) / rate_hz


def alarms_in(
    sound: np.ndarray, setup: ChannelSetup | None = None, rate_hz: int = RATE_HZ
) -> list[RingChange]:
    """Return the alarms of the engine."""
    engine = Engine(rate_hz, [setup or ChannelSetup()])
    return [c for c in engine.feed(sound.astype(np.float32)[:, None]) if c.state in ALARMS]


@pytest.mark.parametrize(
    ("hz", "rate_hz"),
    [
        (333.0, 8000),
        (63.0, 44100),
        (8100.0, 44100),
        (440.0, 48000),
        (16000.0, 48000),
        (2520.0, 96000),
    ],
)
def test_a_clipped_tone_at_the_end_stop_is_alarmed_when_it_has_stood_for_half_a_second(
    hz: float, rate_hz: int
) -> None:
    """Oracle: the tone that was put there, and the definition."""
    tone = 3 * np.sin(2 * np.pi * hz * time_of(1.5, rate_hz))
    first = alarms_in(after_a_while(tone, rate_hz), rate_hz=rate_hz)[0]
    assert first.frequency_hz == pytest.approx(hz, rel=0.001)
    waited_s = first.sample / rate_hz - BEGINS_S
    assert AT_END_STOP_S < waited_s <= AT_END_STOP_S + 1.1 * FRAME_S + 5 * HOP_S
    assert first.onset_sample is not None
    assert 0 <= first.onset_sample / rate_hz - BEGINS_S < FRAME_S + 5 * HOP_S


def test_the_share_asked_for_lets_a_square_wave_through_and_no_sawtooth() -> None:
    """Oracle: Fourier series: the first partial has 8/pi^2 of a square's power, 6/pi^2 of a saw's.

    Textbook, from memory.
    """
    assert 6 / np.pi**2 < LEAST_SHARE < 8 / np.pi**2


@pytest.mark.parametrize(
    "name", ["short", "quiet", "vibrato", "two tones", "sawtooth", "noise", "falling", "bursts"]
)
def test_other_loud_sound_is_not_taken_for_it(name: str) -> None:
    """Oracle: definition: each lacks one of what is asked for."""
    time = time_of(2.0)
    sine = np.sin(2 * np.pi * 440 * time)
    cents = 20 * np.sin(2 * np.pi * 5.5 * time)
    made = {
        "short": 3 * sine[: round(0.4 * RATE_HZ)],
        "quiet": 0.5 * sine,
        "vibrato": 3 * np.sin(2 * np.pi * np.cumsum(440 * 2 ** (cents / 1200)) / RATE_HZ),
        "two tones": sine + np.sin(2 * np.pi * 555 * time),
        "sawtooth": 1.0 * sawtooth(2 * np.pi * 440 * time),
        "noise": np.random.default_rng(2).standard_normal(len(time)),
        "falling": 1.2 * sine * 10 ** (-12 * time / 20),
        "bursts": 3 * sine * (time % 0.5 < 0.4),
    }
    assert alarms_in(after_a_while(made[name])) == []


def changes_in(*sounds: np.ndarray, setups: tuple[ChannelSetup, ...] = ()) -> list[RingChange]:
    """Return all that the engine says of some channels."""
    engine = Engine(RATE_HZ, setups or [ChannelSetup()] * len(sounds))
    return engine.feed(np.stack(sounds, axis=1).astype(np.float32))


def test_a_tone_that_stood_before_anybody_listened_is_suspected_and_not_alarmed() -> None:
    """A howl that a limiter holds, or a line-up tone: no single channel can tell."""
    told = changes_in(stage(4.0) + 0.5 * np.sin(2 * np.pi * 1000 * time_of(4.0)))
    assert [change.state for change in told] == [RingState.SUSPECT]
    assert told[0].frequency_hz == pytest.approx(1000, rel=0.001)
    assert STANDS_S < told[0].sample / RATE_HZ <= STANDS_S + 4 * FRAME_S


def test_hum_on_an_open_channel_is_no_suspect() -> None:
    """Common practice, no source: hum and hiss of an open input lie well under -40 dBFS."""
    hum = 0.004 * np.sin(2 * np.pi * 60 * time_of(4.0))
    assert changes_in(0.1 * stage(4.0) + hum) == []


def test_a_reference_that_has_the_tone_makes_it_music() -> None:
    """The same tone, among others, in a playback."""
    tone = 0.5 * np.sin(2 * np.pi * 1000 * time_of(4.0))
    playback = tone + 0.4 * np.sin(2 * np.pi * 333 * time_of(4.0))
    setups = (ChannelSetup(), ChannelSetup(is_reference=True))
    assert changes_in(stage(4.0) + tone, playback, setups=setups) == []


def test_a_reference_is_never_alarmed() -> None:
    """A playback may hold a tone at full scale: it is in no loop."""
    tone = 3 * np.sin(2 * np.pi * 440 * time_of(1.5))
    assert alarms_in(after_a_while(tone), ChannelSetup(is_reference=True)) == []


def test_what_rose_out_of_sight_has_no_growth_and_the_usual_cut() -> None:
    """It swept about at full scale, and only then stood still: how fast it rose is past."""
    time = time_of(3.0)
    hz = 1000 + 40 * np.maximum(1.5 - time, 0)
    tone = 3 * np.sin(2 * np.pi * np.cumsum(hz) / RATE_HZ)
    first = alarms_in(after_a_while(tone))[0]
    assert first.growth_db_per_s is None
    assert first.margin_db is None
    assert first.cut_db == USUAL_CUT_DB


def test_growth_is_the_rise_that_noise_hid() -> None:
    """Oracle: how the tone was made: 100 dB/s, in bursts of noise until it takes over."""
    time = time_of(2.0)
    level_db = np.minimum(-40 + 100 * time, 10)
    noise = 0.3 * np.random.default_rng(3).standard_normal(len(time)) * (time < 0.3)
    tone = 10 ** (level_db / 20) * np.sin(2 * np.pi * 1000 * time)
    first = alarms_in(after_a_while(tone + noise))[0]
    assert first.growth_db_per_s == pytest.approx(100, rel=0.25)
