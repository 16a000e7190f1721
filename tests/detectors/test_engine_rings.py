"""The whole chain on sound whose truth is known: rings are seen, other sound is let be."""

import functools
import itertools

import numpy as np
import pytest
from signals import (
    Rise,
    channels,
    pink_noise,
    sine,
    square,
    swelling_vibrato,
    times,
    white_noise,
)

from prehowl.detectors.bands import nominal_hz
from prehowl.detectors.engine import ChannelSetup, Engine
from prehowl.detectors.rings import MOVES, RingChange, RingState

RATE_HZ = 48_000
FREQUENCIES_HZ = (103.0, 263.3, 523.7, 1117.0, 2513.4, 4123.0, 7907.0)
GROWTHS_DB_PER_S = (20, 50, 100)
WALK = [RingState.SUSPECT, RingState.RINGING, RingState.HOWLING, RingState.CLEARED]
ALARMS = (RingState.RINGING, RingState.HOWLING)

PLAIN_FROM_DB_PER_S = 100
"""So fast a rise may be plain at once: it then begins with the alarm."""


def alarm_of(changes: list[RingChange]) -> RingChange:
    """Return the first alarm."""
    return next(change for change in changes if change.state in ALARMS)


def events(samples, rate_hz: int = RATE_HZ, setups=None) -> list[RingChange]:
    """Return all changes of a stream."""
    engine = Engine(rate_hz, setups or [ChannelSetup()] * samples.shape[1])
    return [*engine.feed(samples), *engine.finish()]


def rise_of(frequency_hz: float, growth: float, after_s: float = 0.0) -> Rise:
    """Return a line that comes out of pink noise of -40 dBFS and is stopped 20 dB above it."""
    return Rise(frequency_hz, growth, starts_s=after_s + 0.6 - 24 / growth, top_dbfs=-20)


def in_noise(rise: Rise, seconds: float, rate_hz: int = RATE_HZ, seed: int = 0):
    """Return the line in its noise."""
    return rise.samples(seconds, rate_hz) + pink_noise(seconds, rate_hz, level_dbfs=-40, seed=seed)


@functools.cache
def grid(growth: int) -> tuple[list[Rise], list[RingChange]]:
    """Return the truth and the events of one growth at all frequencies, a channel each."""
    # After a second: until then the engine does not know the channel, and is slower to believe.
    rises = [rise_of(frequency_hz, growth, 1.0) for frequency_hz in FREQUENCIES_HZ]
    seconds = round(rises[0].stops_s + 0.9, 1)
    parts = [in_noise(rise, seconds, seed=seed) for seed, rise in enumerate(rises, start=10)]
    return rises, events(channels(*parts))


CASES = list(itertools.product(range(len(FREQUENCIES_HZ)), GROWTHS_DB_PER_S))


@pytest.mark.parametrize(("ch", "growth"), CASES)
class TestRise:
    """One straight rise in pink noise, 103 Hz to 7.9 kHz, 20 to 100 dB/s."""

    def mine(self, ch: int, growth: int) -> tuple[Rise, list[RingChange]]:
        rises, changes = grid(growth)
        return rises[ch], [change for change in changes if change.ch == ch]

    def test_walks_through_all_states_in_order(self, ch, growth):
        """Oracle: truth of the signal: it emerges, grows, takes the channel over, stops; once."""
        _, changes = self.mine(ch, growth)
        states = [change.state for change in changes]
        assert states == WALK or (growth >= PLAIN_FROM_DB_PER_S and states == WALK[1:])
        assert len({change.id for change in changes}) == 1

    def test_alarms_while_it_rises_before_it_is_as_loud_as_it_gets(self, ch, growth):
        """Oracle: truth: the alarm comes within the rise, the end 0.3 to 0.8 s after the stop."""
        rise, changes = self.mine(ch, growth)
        times_s = [change.sample / RATE_HZ for change in changes]
        assert times_s == sorted(times_s)
        alarm_s = alarm_of(changes).sample / RATE_HZ
        # Below 200 Hz only frames of 85 ms and more see a ring: one hop of theirs is granted.
        latest_s = rise.tops_out_s + (0.022 if rise.frequency_hz < 200 else 0.0)
        assert rise.time_of_level(-70) < times_s[0] <= alarm_s < latest_s
        assert rise.stops_s + 0.3 < times_s[-1] < rise.stops_s + 0.8
        for change in changes:
            assert change.onset_sample is not None
            assert 0 <= change.onset_sample < changes[0].sample

    def test_names_frequency_and_band(self, ch, growth):
        """Oracle: truth: at the alarm within 3 cents (below 200 Hz 10); the band always."""
        rise, changes = self.mine(ch, growth)
        alarm = alarm_of(changes)
        cents = 1200 * np.log2(alarm.frequency_hz / rise.frequency_hz)
        assert abs(cents) <= (3 if rise.frequency_hz > 200 else 10)
        assert {change.band_hz for change in changes} == {nominal_hz(rise.frequency_hz)}

    def test_tells_growth_level_and_margin(self, ch, growth):
        """Oracle: truth: growth at the alarm within a third, level at most a frame old.

        Margin = -growth * delay: the 8 ms that a channel has by default.
        """
        rise, changes = self.mine(ch, growth)
        alarm = alarm_of(changes)
        assert alarm.growth_db_per_s == pytest.approx(growth, rel=0.34)
        assert alarm.margin_db == pytest.approx(-alarm.growth_db_per_s * 0.008)
        now_db = float(rise.level_dbfs(np.float64(alarm.sample / RATE_HZ)))
        assert now_db - growth * 0.171 - 3 < alarm.level_dbfs < now_db + 3
        assert alarm.cut_db is not None
        assert alarm.cut_db > 0
        assert changes[-1].cut_db is None


def test_every_walk_is_legal_and_every_id_is_one_ring():
    """Oracle: the state table; ids start at 1 and stay with one channel; samples do not go back."""
    for growth in GROWTHS_DB_PER_S:
        _, changes = grid(growth)
        samples = [change.sample for change in changes]
        assert samples == sorted(samples)
        assert {c.id for c in changes} == set(range(1, max(c.id for c in changes) + 1))
        for number in {change.id for change in changes}:
            walk = [change for change in changes if change.id == number]
            states = [None, *(change.state for change in walk)]
            assert all(to in MOVES[state] for state, to in itertools.pairwise(states))
            assert states[-1] is RingState.CLEARED
            assert len({change.ch for change in walk}) == 1


def test_a_larger_growth_is_alarmed_after_a_larger_rise_but_sooner():
    """Oracle: physics: the fast ring needs less time from -60 dBFS on to its alarm."""
    waits = []
    for growth in GROWTHS_DB_PER_S:
        rises, changes = grid(growth)
        alarm = next(c for c in changes if c.ch == 4 and c.state is RingState.RINGING)
        waits.append(alarm.sample / RATE_HZ - rises[4].time_of_level(-60))
    assert waits[0] > waits[1] > waits[2] > 0


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 88_200, 96_000])
def test_every_rate_sees_the_same_ring(rate_hz):
    """Oracle: truth; the same sound in seconds and hertz at all four rates."""
    rises = [rise_of(263.3, 60), rise_of(3100.0, 60)]
    changes = events(channels(*(in_noise(rise, 2.1, rate_hz) for rise in rises)), rate_hz)
    for ch, rise in enumerate(rises):
        mine = [change for change in changes if change.ch == ch]
        assert [change.state for change in mine] == WALK
        assert abs(1200 * np.log2(mine[1].frequency_hz / rise.frequency_hz)) < 3
        assert mine[1].band_hz == nominal_hz(rise.frequency_hz)
        assert rise.time_of_level(-55) < mine[1].sample / rate_hz < rise.tops_out_s


# sound that is no ring

CALM_S = 3.0


def calm_sounds() -> dict[str, np.ndarray]:
    """Return sounds that must not alarm."""
    quiet = [pink_noise(CALM_S, RATE_HZ, level_dbfs=-50, seed=seed) for seed in range(4)]
    return {
        "silence": 0 * times(CALM_S, RATE_HZ),
        "DC": 0.5 + 0 * times(CALM_S, RATE_HZ),
        "half-scale square": 0.5 * square(100, CALM_S, RATE_HZ),
        "white noise": white_noise(CALM_S, RATE_HZ, level_dbfs=-12, seed=1),
        "pink noise": pink_noise(CALM_S, RATE_HZ, level_dbfs=-12, seed=2),
        "tone switched on": sine(1000, CALM_S, RATE_HZ, level_dbfs=-20, starts_s=1) + quiet[0],
        "tone switched on in silence": sine(2500, CALM_S, RATE_HZ, level_dbfs=-6, starts_s=1),
        "hum": sine(50, CALM_S, RATE_HZ, level_dbfs=-20) + quiet[1],
        "low voice": swelling_vibrato(220, CALM_S, RATE_HZ) + quiet[2],
        "high voice": swelling_vibrato(660, CALM_S, RATE_HZ, growth_db_per_s=20) + quiet[3],
    }


@functools.cache
def calm() -> dict[str, list[RingChange]]:
    """Return the events of each."""
    sounds = calm_sounds()
    changes = events(channels(*sounds.values()))
    return {name: [c for c in changes if c.ch == ch] for ch, name in enumerate(sounds)}


@pytest.mark.parametrize("name", calm_sounds())
def test_what_is_no_ring_does_not_alarm(name):
    """Oracle: truth: no closed loop; none of these is straight, steady and alone in its growth."""
    assert [change for change in calm()[name] if change.state in ALARMS] == []


@pytest.mark.parametrize("name", ["silence", "DC", "white noise", "pink noise", "hum"])
def test_what_does_not_change_is_no_suspect_either(name):
    """Oracle: definition; nothing grows."""
    assert calm()[name] == []


# invariances


def brief_ring() -> np.ndarray:
    """Return 1.9 s with one ring of 80 dB/s at 1.7 kHz, on one channel."""
    return in_noise(rise_of(1733.0, 80), 1.9, seed=5)


def test_polarity_and_gain_do_not_matter():
    """Oracle: invariance: inverted it is the same ring; 6.02 dB hotter it is that much louder."""
    ring = brief_ring()
    changes = events(channels(ring, -ring, 2 * ring))
    plain, inverted, louder = ([c for c in changes if c.ch == ch] for ch in range(3))
    assert [c.state for c in plain] == WALK
    for other, gain_db in ((inverted, 0), (louder, 20 * np.log10(2))):
        assert [(c.state, c.sample) for c in other] == [(c.state, c.sample) for c in plain]
        for mine, theirs in zip(other, plain, strict=True):
            assert mine.frequency_hz == pytest.approx(theirs.frequency_hz, rel=1e-6)
            assert mine.growth_db_per_s == pytest.approx(theirs.growth_db_per_s, rel=0.01)
            assert mine.level_dbfs == pytest.approx(theirs.level_dbfs + gain_db, abs=0.01)


# reference channels

REFERENCE_FIRST = [ChannelSetup(is_reference=True), ChannelSetup()]


def swell(level_db: float = 0.0, frequency_hz: float = 1733.0, growth: float = 80) -> np.ndarray:
    """Return the ring of `brief_ring`, other by level, frequency or growth, in other noise."""
    seed = round(frequency_hz + growth + abs(level_db))
    return 10 ** (level_db / 20) * in_noise(rise_of(frequency_hz, growth), 1.9, seed=seed)


def test_a_reference_channel_never_alarms():
    """Oracle: the setup's promise: a channel without an acoustic loop cannot ring."""
    changes = events(channels(brief_ring(), swell(frequency_hz=631.0)), setups=REFERENCE_FIRST)
    assert {change.ch for change in changes} == {1}
    assert [change.state for change in changes] == WALK
    assert events(channels(brief_ring()), setups=REFERENCE_FIRST[:1]) == []


@pytest.mark.parametrize("level_db", [0, -20, 10])
def test_what_swells_in_a_reference_too_is_music(level_db):
    """Oracle: no loop holds a DI: a tone that swells there and in a microphone is being played.

    However loud it is in either: a rise in dB does not depend on level.
    """
    both = channels(swell(level_db), brief_ring())
    assert events(both, setups=REFERENCE_FIRST) == []
    as_mics = events(both)
    assert {change.ch for change in as_mics if change.state in ALARMS} == {0, 1}


def test_what_else_a_reference_plays_does_not_matter():
    """A loud low note in it, and the swell far under that."""
    swell = Rise(1500.0, growth_db_per_s=60, held_s=1.0).samples(3.0, RATE_HZ)
    playback = 0.3 * swell + sine(200, 3.0, RATE_HZ, level_dbfs=-6)
    noise = [pink_noise(3.0, RATE_HZ, level_dbfs=-100, seed=seed) for seed in (1, 2)]
    sound = channels(swell + noise[0], playback + noise[1])
    engine = Engine(RATE_HZ, [ChannelSetup(), ChannelSetup(is_reference=True)])
    assert [change for change in engine.feed(sound) if change.state in ALARMS] == []


def test_what_a_test_cannot_tell_is_unknown_and_no_figure():
    """Oracle: the event contract: unknown is None. A ring that comes at once was seen too seldom to
    have a straightness or a wander when it is first told, and has both when it is over."""
    told = events(channels(in_noise(rise_of(4123.0, 100.0, 1.0), 2.4)))
    figures = [(change.evidence["imsd_db"], change.evidence["wander_cents"]) for change in told]
    assert all(value is None or value < 100 for pair in figures for value in pair)
    assert told[-1].evidence["wander_cents"] is not None


def test_an_offset_changes_little_that_is_told():
    """Oracle: definition: what lies under the audible is no part of a channel's power.

    An offset of a hundredth of full scale is a bad one; common practice, no source.
    """
    sound = pink_noise(3.0, RATE_HZ, level_dbfs=-50, seed=1)
    sound = sound + Rise(1000.0, growth_db_per_s=60, top_dbfs=-20).samples(3.0, RATE_HZ)
    told, beside = events(channels(sound)), events(channels(sound + 0.01))
    assert [change.state for change in told] == [change.state for change in beside] == WALK
    for change, other in zip(told, beside, strict=True):
        assert abs(change.sample - other.sample) <= 2048  # two frames of the main resolution


def references_that_know_nothing() -> dict[str, np.ndarray]:
    """Return what a reference may carry beside a ring that is only in the microphone."""
    return {
        "silence": 0 * times(1.9, RATE_HZ),
        "noise": pink_noise(1.9, RATE_HZ, level_dbfs=-30, seed=8),
        "the same note, held": sine(1733.0, 1.9, RATE_HZ, level_dbfs=-30)
        + pink_noise(1.9, RATE_HZ, level_dbfs=-50, seed=9),
        "another note that swells": swell(frequency_hz=2200.0),
        "the same note, swelling a quarter as fast": swell(growth=20),
    }


@pytest.mark.parametrize("name", references_that_know_nothing())
def test_what_swells_in_a_microphone_alone_alarms(name):
    """Oracle: truth: only a loop makes it rise so in the microphone; the walk is as without."""
    reference = references_that_know_nothing()[name]
    changes = events(channels(reference, brief_ring()), setups=REFERENCE_FIRST)
    assert [(c.ch, c.state) for c in changes] == [(1, state) for state in WALK]


def test_a_channel_has_the_same_ring_alone_and_in_company():
    """Oracle: invariance; ids are counted over all channels and left aside."""
    parts = [brief_ring(), in_noise(rise_of(400.0, 50), 1.9, seed=6), 0 * brief_ring()]
    together = events(channels(*parts))
    for ch, part in enumerate(parts):
        mine = [c for c in together if c.ch == ch]
        alone = events(channels(part))
        assert [(c.state, c.sample) for c in mine] == [(c.state, c.sample) for c in alone]
        for a, b in zip(mine, alone, strict=True):
            assert a.frequency_hz == pytest.approx(b.frequency_hz, rel=1e-6)
    assert len({c.ch for c in together}) == 2


def test_advice_follows_the_channels_own_loop():
    """Oracle: hand-worked: margin = -growth * delay; twice the delay, twice the excess."""
    ring = brief_ring()
    setups = [ChannelSetup(loop_delay_s=0.005), ChannelSetup(loop_delay_s=0.010, cut_cap_db=3.0)]
    changes = events(channels(ring, ring), setups=setups)
    short, long = (next(c for c in changes if c.ch == ch and c.state in ALARMS) for ch in (0, 1))
    assert long.margin_db == pytest.approx(2 * short.margin_db, rel=1e-3)
    assert long.cut_db <= 3.0


def test_a_keen_channel_alarms_no_later_than_a_calm_one():
    """Oracle: the setup's promise: more false alarms are borne for seeing rings sooner."""
    ring = in_noise(rise_of(1733.0, 30), 2.4, seed=11)
    setups = [ChannelSetup(sensitivity=factor) for factor in (4.0, 1.0, 0.25)]
    changes = events(channels(ring, ring, ring), setups=setups)
    alarms = [[c.sample for c in changes if c.ch == ch and c.state in ALARMS] for ch in range(3)]
    keen, plain, calm = (min(samples, default=10**9) for samples in alarms)
    assert keen <= plain <= calm
    assert keen < calm


@pytest.mark.parametrize("noise_dbfs", [-100, -80, -60])
@pytest.mark.parametrize("growth", [15, 60])
def test_in_a_quiet_room_a_ring_alarms_long_before_it_is_loud(noise_dbfs, growth):
    """Oracle: truth: when wedges are rung out nobody plays; it alarms 10 dB and more under its top.

    And at the latest 30 dB over all noise: there is nothing else to be taken for it.
    """
    rise = Rise(811.0, growth, starts_s=0.4, top_dbfs=-20)
    seconds = rise.tops_out_s + 0.2
    noise = pink_noise(seconds, RATE_HZ, level_dbfs=noise_dbfs, seed=12)
    alarm = alarm_of(events(channels(rise.samples(seconds, RATE_HZ) + noise)))
    level_dbfs = float(rise.level_dbfs(np.float64(alarm.sample / RATE_HZ)))
    assert level_dbfs < min(noise_dbfs + 30, rise.top_dbfs - 10)
