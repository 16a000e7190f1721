"""The remembered spectra, against plain lists."""

import copy

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from prehowl.detectors.memory import SpectrumMemory

CHANNELS, BINS = 2, 5


def filled(frames: int, count: int) -> tuple[SpectrumMemory, list[np.ndarray]]:
    """Return a memory after `count` random frames, and all of those with silence before them."""
    memory, rng = SpectrumMemory(CHANNELS, BINS, frames, 0.01), np.random.default_rng(count)
    added = [np.zeros((CHANNELS, BINS), np.float32)] * frames
    for _ in range(count):
        added.append(rng.exponential(1.0, (CHANNELS, BINS)).astype(np.float32))
        memory.add(added[-1], added[-1].sum(axis=1))
    return memory, added


@given(st.integers(1, 9), st.integers(0, 30), st.data())
def test_the_past_is_what_was_added(frames, count, data):
    """Oracle: slow reference: a list, looked up place by place; before it there was silence."""
    memory, added = filled(frames, count)
    places = data.draw(st.integers(1, 4))
    draw = np.random.default_rng(frames)
    index = draw.integers(0, CHANNELS * BINS, (places, 3))
    back = draw.integers(0, frames, (places, 2))
    ch = draw.integers(0, CHANNELS, places)
    found, totals = memory.past(index, back), memory.totals(ch, back)
    assert found.shape == (places, 2, 3)
    for place in range(places):
        for time in range(2):
            then = added[-1 - back[place, time]]
            np.testing.assert_array_equal(found[place, time], then.reshape(-1)[index[place]])
            assert totals[place, time] == then.sum(axis=1)[ch[place]]
    for ago in range(frames):
        np.testing.assert_array_equal(
            memory.at(index[:, 0], ago), added[-1 - ago].reshape(-1)[index[:, 0]]
        )
    assert memory.heard == count


def test_what_was_added_may_be_overwritten():
    """Oracle: definition: a caller's array is its own again once it has been added."""
    memory, power = SpectrumMemory(1, 3, 2, 0.01), np.ones((1, 3), np.float32)
    memory.add(power, power.sum(axis=1))
    power[:] = 7
    np.testing.assert_array_equal(memory.at(np.arange(3), 0), np.ones(3))


@pytest.mark.parametrize("count", [0, 3, 11])
def test_a_copy_remembers_by_itself(count):
    """Oracle: invariance: copy and original go on alike, and apart."""
    memory, added = filled(4, count)
    other = copy.deepcopy(memory)
    news = np.full((CHANNELS, BINS), 9, np.float32)
    other.add(news, news.sum(axis=1))
    every = np.arange(CHANNELS * BINS)
    np.testing.assert_array_equal(other.at(every, 0), news.reshape(-1))
    np.testing.assert_array_equal(other.at(every, 1), added[-1].reshape(-1))
    np.testing.assert_array_equal(memory.at(every, 0), added[-1].reshape(-1))


@given(st.integers(1, 3), st.integers(1, 4), st.integers(0, 9))
def test_what_is_written_into_the_room_is_remembered(count, ticks, before):
    """Oracle: invariance: frames written in place are those handed over, whatever came before."""
    frames = count * ticks
    memory, other = (SpectrumMemory(CHANNELS, BINS, frames, 0.01) for _ in range(2))
    rng = np.random.default_rng(frames)
    for _ in range(before):
        given_frames = rng.exponential(1.0, (count, CHANNELS, BINS)).astype(np.float32)
        room = memory.room(count)
        room[:] = given_frames
        for written, handed in zip(room, given_frames, strict=True):
            memory.add(written, written.sum(axis=1))
            other.add(handed, handed.sum(axis=1))
    places = np.arange(CHANNELS * BINS)
    for back in range(frames):
        np.testing.assert_array_equal(memory.at(places, back), other.at(places, back))


def test_places_and_times_are_broadcast():
    """Oracle: definition: several times of all places, or one time for each."""
    memory, added = filled(4, 6)
    places = np.array([0, 7, 9])
    table = memory.at(places, np.array([[3], [1]]))
    expected = [added[-4].reshape(-1)[places], added[-2].reshape(-1)[places]]
    np.testing.assert_array_equal(table, expected)
    own = memory.at(places, np.array([0, 1, 2]))
    np.testing.assert_array_equal(own, [added[-1 - k].reshape(-1)[places[k]] for k in range(3)])
