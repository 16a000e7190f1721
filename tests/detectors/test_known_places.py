"""Where a channel rang before, less evidence is asked; nowhere else is anything changed."""

import functools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from signals import Rise, channels, pink_noise

from prehowl.detectors import known_places
from prehowl.detectors.engine import ChannelSetup, Engine
from prehowl.detectors.known_places import LIKELIER, MOST, NEAR_CENTS, KnownPlaces
from prehowl.detectors.rings import RingState

RATE_HZ = 48_000
RING_HZ = 1117.0
ALARMS = (RingState.RINGING, RingState.HOWLING)


def likelier(known: KnownPlaces, ch: int, frequency_hz: float) -> float:
    return float(known.likelier(np.array([ch]), np.array([frequency_hz]))[0])


def away(cents: float, frequency_hz: float = RING_HZ) -> float:
    return float(frequency_hz * 2 ** (cents / 1200))


@given(st.floats(40, 18_000), st.floats(-200, 200), st.integers(0, 2))
def test_only_what_is_near_on_the_same_channel_is_likelier(frequency_hz, cents, ch):
    """Oracle: definition; whatever lies at the very edge may go either way."""
    known = KnownPlaces(3)
    known.add(1, frequency_hz)
    expected = LIKELIER if ch == 1 and abs(cents) < NEAR_CENTS else 1.0
    if abs(abs(cents) - NEAR_CENTS) > 0.01:
        assert likelier(known, ch, away(cents, frequency_hz)) == expected


def test_the_place_that_rang_longest_ago_is_forgotten_first():
    """Oracle: by hand: the first rings again, so that the second is the oldest when one goes."""
    known = KnownPlaces(1)
    places = [100.0 * 1.5**n for n in range(MOST + 1)]
    for frequency_hz in (*places[:MOST], away(10, places[0]), places[MOST]):
        known.add(0, frequency_hz)
    told = [likelier(known, 0, frequency_hz) for frequency_hz in places]
    assert told == [LIKELIER, 1.0, *[LIKELIER] * (MOST - 1)]


# in the engine


def sound(*begins_s: float) -> np.ndarray:
    """Return rises of 40 dB/s out of pink noise, to 20 dB over it, each stopped at its top."""
    seconds = begins_s[-1] + 2.0
    noise = pink_noise(seconds, RATE_HZ, level_dbfs=-40, seed=5)
    for begins in begins_s:
        rise = Rise(RING_HZ, 40.0, starts_s=begins, top_dbfs=-20)
        noise = noise + rise.samples(seconds, RATE_HZ)
    return channels(noise)


def events(samples: np.ndarray, rang_hz: tuple[float, ...] = ()) -> list:
    engine = Engine(RATE_HZ, [ChannelSetup(rang_hz=rang_hz)])
    return [*engine.feed(samples), *engine.finish()]


@functools.cache
def plain() -> list:
    return events(sound(1.0))


def alarms_s(changes) -> list[float]:
    """Return when each ring was first alarmed."""
    found: dict[int, float] = {}
    for change in changes:
        if change.state in ALARMS:
            found.setdefault(change.id, change.sample / RATE_HZ)
    return sorted(found.values())


@pytest.mark.parametrize("cents", [0.0, NEAR_CENTS / 2])
def test_a_ring_that_is_back_is_alarmed_sooner(cents):
    """Oracle: the plain run on the same samples; truth: one ring, at its frequency."""
    changes = events(sound(1.0), (away(cents),))
    (sooner,), (usual,) = alarms_s(changes), alarms_s(plain())
    assert sooner < usual
    assert {round(change.frequency_hz) for change in changes} == {round(RING_HZ)}


def test_places_elsewhere_change_nothing():
    """Oracle: invariance, to the last bit."""
    assert events(sound(1.0), (away(3 * NEAR_CENTS), 5000.0)) == plain()


def test_the_engine_remembers_by_itself(monkeypatch):
    """Oracle: the same samples in an engine to which no place is likelier."""
    twice = sound(1.0, 9.0)  # when the first one's echo is forgotten
    first, second = alarms_s(events(twice))
    monkeypatch.setattr(known_places, "LIKELIER", 1.0)
    plain_first, plain_second = alarms_s(events(twice))
    assert first == plain_first
    assert second < plain_second


def test_another_setup_tells_places_while_the_engine_runs():
    """Oracle: the run that was told at the start."""
    engine = Engine(RATE_HZ, [ChannelSetup()])
    engine.set_up([ChannelSetup(rang_hz=(RING_HZ,))])
    samples = sound(1.0)
    assert [*engine.feed(samples), *engine.finish()] == events(samples, (RING_HZ,))


def test_places_that_are_told_take_the_room_of_no_ring_of_tonight():
    """Oracle: by hand: of seven that are told the first goes; the next ones replace them all."""
    known = KnownPlaces(2)
    known.add(1, RING_HZ)
    told = [4000.0 * 1.2**n for n in range(MOST + 1)]
    known.tell(1, told)
    assert [likelier(known, 1, hz) for hz in (RING_HZ, *told)] == [LIKELIER, 1, *[LIKELIER] * MOST]
    assert likelier(known, 0, told[-1]) == 1
    known.tell(1, [300.0])
    assert [likelier(known, 1, hz) for hz in (RING_HZ, 300.0)] == [LIKELIER] * 2
    assert [likelier(known, 1, hz) for hz in told] == [1] * len(told)
    known.tell(1, ())
    assert [likelier(known, 1, hz) for hz in (RING_HZ, 300.0)] == [LIKELIER, 1]
