"""Pasts read out of remembered spectra: against a plain loop, and on tones whose truth is known."""

import math
from dataclasses import fields

import numpy as np
import pytest
from howl_runs import Listener
from hypothesis import given, settings
from hypothesis import strategies as st
from signals import Rise, channels, pink_noise, sine

from prehowl.detectors.memory import SpectrumMemory
from prehowl.detectors.spectrum import decibels
from prehowl.detectors.tracks import Now, Seen, Tracks, look_back

RATE_HZ = 48_000
BINS, FRAMES, HOP_S, BIN_HZ = 24, 9, 0.02, 12.5


def remembered(seed: int, count: int, channel_count: int = 2) -> tuple[Now, SpectrumMemory, list]:
    """Return the newest of some random frames, their memory, and all of them after silence."""
    rng = np.random.default_rng(seed)
    memory = SpectrumMemory(channel_count, BINS, FRAMES, HOP_S)
    frames = [np.zeros((channel_count, BINS), np.float32)] * FRAMES
    for _ in range(count):
        levels = rng.uniform(-9, 0, (channel_count, BINS))
        frames.append((10**levels).astype(np.float32))
        memory.add(frames[-1], frames[-1].sum(axis=1))
    total = frames[-1].sum(axis=1)
    now = Now(frames[-1], total, total / 2, BIN_HZ, 2 * (BINS - 1))
    return now, memory, frames


@settings(max_examples=40)
@given(st.integers(0, 99), st.integers(0, 15), st.integers(1, 2), st.integers(1, 4))
def test_look_back_is_a_plain_loop(seed, count, step, looks):
    """Oracle: slow reference: level, place, foot, presence and total, look by look."""
    now, memory, frames = remembered(seed, count)
    ch, bins = np.array([0, 1, 1]), np.array([4, 11, 19])
    tracks = look_back(now, memory, ch, bins, np.full(3, step), looks)
    assert tracks.level_dbfs.shape == (3, looks)
    np.testing.assert_allclose(tracks.step_s, step * HOP_S)
    for track in range(3):
        for look in range(looks):
            power = frames[-1 - step * (looks - 1 - look)]
            own = [float(power[ch[track], bins[track] + k]) for k in (-3, -1, 0, 1, 3)]
            three, foot = sum(own[1:4]) / 1.5, max(own[0], own[4])
            low, middle, high = (math.sqrt(p) for p in own[1:4])
            offset = 2 * (high - low) / max(low + 2 * middle + high, 1e-12)
            offset = max(-1.0, min(1.0, offset))
            at = (track, look)
            # float32 has seven digits: 1e-5 of a level near -100 dB is a thousandth.
            assert tracks.level_dbfs[at] == pytest.approx(10 * math.log10(max(three, 1e-14)), 1e-4)
            assert tracks.flank_dbfs[at] == pytest.approx(10 * math.log10(max(foot, 1e-14)), 1e-4)
            assert tracks.position[at] == pytest.approx(bins[track] + offset, abs=1e-3)
            assert tracks.total_past[at] == pytest.approx(float(power[ch[track]].sum()), rel=1e-5)
            clear = abs(three - 10**0.5 * foot) > 1e-3 * three and abs(abs(offset) - 0.95) > 1e-3
            if clear:
                assert tracks.present[at] == (three > 10**0.5 * foot and abs(offset) < 0.95)
    np.testing.assert_allclose(tracks.frequency_hz, tracks.position[:, -1] * BIN_HZ)


def test_each_track_looks_back_by_its_own_step():
    """Oracle: invariance: several steps in one call as each step by itself."""
    now, memory, _ = remembered(3, 12)
    ch, bins, step = np.array([1, 0, 1]), np.array([5, 9, 16]), np.array([2, 1, 2])
    together = look_back(now, memory, ch, bins, step, 4)
    for number in range(3):
        one = slice(number, number + 1)
        alone = look_back(now, memory, ch[one], bins[one], step[one], 4)
        for name in ("step_s", "level_dbfs", "position", "flank_dbfs", "present", "total_past"):
            np.testing.assert_array_equal(getattr(together, name)[one], getattr(alone, name), name)


@given(st.lists(st.integers(0, 4), max_size=5, unique=True))
def test_only_keeps_whole_tracks(kept):
    """Oracle: definition: all arrays are indexed alike."""
    rng = np.random.default_rng(5)
    seen = Seen(*rng.random((4, 5, 3)).astype(np.float32))
    some = seen.only(np.array(kept, np.intp))
    for field in fields(Seen):
        name = field.name
        np.testing.assert_array_equal(getattr(some, name), getattr(seen, name)[kept], name)


@given(st.floats(0, 4, width=32))
def test_decibels_have_a_floor(power):
    """Oracle: definition: 10 log10, silence is -140."""
    found = decibels(np.array([power], np.float32))[0]
    assert found == pytest.approx(max(-140, 10 * math.log10(power) if power else -140), abs=1e-3)


# tones


def tracks_of(samples: np.ndarray) -> list[Tracks]:
    """Return the tracks of every frame of one channel."""
    return list(Listener(RATE_HZ, 1, {}).tracks(channels(samples)))


def loudest(tracks: Tracks) -> int:
    """Return the number of the loudest track."""
    return int(np.argmax(tracks.level_dbfs[:, -1]))


@pytest.mark.parametrize("off", [0.0, 0.25, 0.5])
def test_a_steady_tone_has_a_steady_past(off):
    """Oracle: truth: always there, at its place, its level to 0.1 dB, wherever in the bin."""
    frequency_hz = (100 + off) * RATE_HZ / 4096
    tracks = tracks_of(sine(frequency_hz, 1.2, RATE_HZ, level_dbfs=-30))[-1]
    mine = loudest(tracks)
    assert tracks.present[mine].all()
    np.testing.assert_allclose(tracks.position[mine], 100 + off, atol=0.01)
    np.testing.assert_allclose(tracks.level_dbfs[mine], -30, atol=0.1)
    np.testing.assert_allclose(tracks.total_past[mine], 1.5e-3, rtol=0.02)  # 1.5 A^2 in a Hann


def test_a_rise_is_straight_in_its_past():
    """Oracle: truth: 40 dB/s is 0.85 dB from look to look, 21.3 ms apart."""
    rise = Rise(1712.0, 40.0, starts_s=-0.5, top_dbfs=-10)
    tracks = tracks_of(rise.samples(1.2, RATE_HZ))[-1]
    steps = np.diff(tracks.level_dbfs[loudest(tracks)])
    np.testing.assert_allclose(steps, 40 * 1024 / RATE_HZ, atol=0.02)


def test_before_it_began_a_tone_was_not_there():
    """Oracle: truth: switched on 0.1 s before the end: absent in looks that end before it."""
    tone = sine(2000, 1.2, RATE_HZ, level_dbfs=-20, starts_s=1.1)
    tracks = tracks_of(tone + pink_noise(1.2, RATE_HZ, level_dbfs=-60, seed=4))[-1]
    mine = loudest(tracks)
    # Looks are 21.3 ms apart: five of them end within the last 0.1 s.
    assert tracks.present[mine, -3:].all()
    assert (tracks.level_dbfs[mine, :-6] < -60).all()
