"""Lines that linger: loops held under their limit, against what only looks like one.

The loop here is the textbook one: a delay and a band around one frequency, closed with a gain just
under one. Its tails fall by 20 log10(gain) each time round.
"""

import numpy as np
import pytest
from scipy.signal import butter, lfilter

from prehowl.detectors.bands import nominal_hz
from prehowl.detectors.engine import ChannelSetup, Engine
from prehowl.detectors.lingering import suspicion_of
from prehowl.detectors.lingering_signals import SIGNALS
from prehowl.detectors.lingering_weights import SUSPECT_AT
from prehowl.detectors.rings import RingChange, RingState
from prehowl.detectors.verdict import SUSPECT_FROM

RATE_HZ = 48000
SECONDS = 10


def noise(level_dbfs: float = -45.0, seed: int = 1) -> np.ndarray:
    """Return pink-like noise of a quiet stage."""
    white = np.random.default_rng(seed).standard_normal(SECONDS * RATE_HZ)
    pinked = lfilter([1.0], [1.0, -0.97], white)
    return pinked / pinked.std() * 10 ** (level_dbfs / 20) / np.sqrt(2)


def held(sound: np.ndarray, hz: float, margin_db: float, delay_s: float = 0.010) -> np.ndarray:
    """Return what a loop makes of a sound: its one mode added, `margin_db` under the limit.

    A pole of radius r falls by -20 log10(r) dB a sample; the growth formula of the loop gives
    margin_db / delay_s in dB/s.
    """
    radius = 10 ** (-margin_db / delay_s / RATE_HZ / 20)
    around = butter(2, (hz / 2, hz * 1.5), "bandpass", fs=RATE_HZ)
    excited = lfilter(*around, sound)
    turn = 2 * np.pi * hz / RATE_HZ
    tails = lfilter([1.0], [1, -2 * radius * np.cos(turn), radius**2], excited)
    return sound + tails * 2 * np.sin(turn) / (delay_s * RATE_HZ)


def changes_of(sound: np.ndarray, setups: int = 1) -> list[RingChange]:
    """Return what the engine says."""
    channels = sound.reshape(len(sound), -1).astype(np.float32)
    engine = Engine(RATE_HZ, [ChannelSetup()] * channels.shape[1])
    return [*engine.feed(channels), *engine.finish()]


@pytest.mark.parametrize("hz", [250.0, 630.0, 2520.0, 6300.0])
def test_a_loop_a_little_under_its_limit_is_suspected_and_not_alarmed(hz: float) -> None:
    """Oracle: where the pole was put."""
    told = changes_of(held(noise(), hz, 0.5))
    assert {change.state for change in told} == {RingState.SUSPECT, RingState.CLEARED}
    assert {change.band_hz for change in told} == {nominal_hz(hz)}
    assert told[0].frequency_hz == pytest.approx(hz, rel=0.01)


def words() -> np.ndarray:
    """Return a voice of gliding pitch that comes and goes over a quiet stage."""
    t = np.arange(SECONDS * RATE_HZ) / RATE_HZ
    octaves = 0.3 * np.sin(2 * np.pi * 0.35 * t) + 0.1 * np.sin(2 * np.pi * 1.7 * t)
    phase = 2 * np.pi * np.cumsum(130 * 2**octaves) / RATE_HZ
    voice = sum(np.sin(order * phase) / order for order in range(1, 31))
    syllables = np.where(t % 1.1 < 0.7, np.sin(np.pi * (t % 1.1) / 0.7) ** 2, 0)
    return 0.04 * voice * syllables + noise(-60.0)


@pytest.mark.parametrize("hz", [630.0, 2520.0])
def test_a_loop_at_its_limit_is_told_for_as_long_as_it_rings(hz: float) -> None:
    """Oracle: where the pole was put: it hardly falls, and rings on under each word.

    From 4 s on (the means need as long) it is told for three quarters of the time.
    """
    told = changes_of(held(words(), hz, 0.02))
    assert {change.band_hz for change in told} == {nominal_hz(hz)}
    begin = 4 * RATE_HZ
    stood, since = 0, {}
    for change in told:
        if change.state is RingState.CLEARED:
            stood += max(0, change.sample - max(begin, since.pop(change.id)))
        else:
            since.setdefault(change.id, change.sample)
    assert stood > 0.75 * (SECONDS * RATE_HZ - begin)


def test_noise_alone_is_silent() -> None:
    """Nothing lingers in it."""
    assert changes_of(noise()) == []


def test_a_reference_channel_with_the_same_line_silences_it() -> None:
    """The same sound on a channel that cannot be in a loop is music."""
    sound = held(noise(), 2520.0, 0.5)
    both = np.stack([sound, sound], axis=1).astype(np.float32)
    engine = Engine(RATE_HZ, [ChannelSetup(), ChannelSetup(is_reference=True)])
    assert [*engine.feed(both), *engine.finish()] == []


def test_a_reference_that_has_stopped_silences_nothing() -> None:
    """A playback that ends in digital silence; its last line would stand in the mean for long."""
    sound = held(noise(), 2520.0, 0.5)
    playback = sound * (np.arange(len(sound)) < 3 * RATE_HZ)
    both = np.stack([sound, playback], axis=1).astype(np.float32)
    engine = Engine(RATE_HZ, [ChannelSetup(), ChannelSetup(is_reference=True)])
    told = engine.feed(both)
    assert [change.state for change in told] == [RingState.SUSPECT]
    assert told[0].sample > 3 * RATE_HZ


def test_a_suspect_that_lingers_is_one_suspect() -> None:
    """It stays one while the loop is held, and ends when the gain comes down."""
    sound = np.concatenate([held(noise(), 1000.0, 0.3), noise(seed=2)])
    told = changes_of(sound)
    assert [change.state for change in told] == [RingState.SUSPECT, RingState.CLEARED]
    assert told[1].sample > 8 * RATE_HZ


@pytest.mark.parametrize("later_s", [0.0, 0.02, 0.04, 0.06])
def test_a_suspect_that_rises_is_alarmed_with_the_level_that_it_has_by_then(later_s: float) -> None:
    """Oracle: the tone's own level; a frame of 85 ms over a rise of 150 dB/s shows 6 dB less.

    Until it rises it is looked at in every third main frame, of 64 ms, so its level may be one of
    10 dB ago where shorter frames hear it first.
    """
    t = np.arange(SECONDS * RATE_HZ) / RATE_HZ
    level_dbfs = np.minimum(-45 + 150 * np.maximum(t - 6 - later_s, 0), -3)
    tone = 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * 3000 * t)
    told = changes_of(tone + words())
    suspect, alarm = told[:2]
    assert (suspect.state, alarm.state) == (RingState.SUSPECT, RingState.RINGING)
    assert suspect.sample < 6 * RATE_HZ < alarm.sample
    assert level_dbfs[alarm.sample] - 16 < alarm.level_dbfs <= level_dbfs[alarm.sample]
    assert alarm.frequency_hz == pytest.approx(3000, abs=0.5)


def test_suspicion_begins_at_the_level_and_never_alarms() -> None:
    """The level is a suspect's; keener lowers it."""
    odds = np.array([SUSPECT_AT, 30.0, -30.0], np.float32)
    normal = suspicion_of(odds, np.ones(3, np.float32))
    np.testing.assert_allclose(normal, [SUSPECT_FROM, 0.95, 0], atol=1e-6)
    assert (suspicion_of(odds, np.full(3, 3, np.float32)) >= normal).all()


def test_every_signal_has_a_direction() -> None:
    """+1 speaks for a loop, -1 against, 0 either way."""
    assert set(SIGNALS.values()) <= {-1, 0, 1}
