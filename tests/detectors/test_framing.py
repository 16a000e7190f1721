"""Cutting of streams: the analysis clock and exactness for any chopping."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from prehowl.detectors.framing import SampleMemory, quantum_length


@pytest.mark.parametrize(
    ("rate_hz", "samples"),
    [(8_000, 64), (11_025, 128), (16_000, 128), (22_050, 256), (32_000, 256), (44_100, 512),
     (48_000, 512), (88_200, 1024), (96_000, 1024), (176_400, 2048), (192_000, 2048)],
)  # fmt: skip
def test_a_quantum_is_the_power_of_two_nearest_to_10_7_ms(rate_hz, samples):
    """Oracle: hand-worked: rate * 512 / 48000 rounded to a power of two on a logarithmic scale."""
    assert quantum_length(rate_hz) == samples


@given(st.integers(8_000, 192_000))
def test_a_quantum_lasts_about_10_ms_at_any_rate(rate_hz):
    """Oracle: property; within a factor of sqrt(2) of 10.67 ms, a power of two."""
    quantum = quantum_length(rate_hz)
    assert quantum & (quantum - 1) == 0
    assert 0.0106667 / 1.4143 <= quantum / rate_hz <= 0.0106667 * 1.4143


@pytest.mark.parametrize("wrong", [0, -48_000, 7_999, 192_001, 1_000_000])
def test_a_rate_out_of_range_is_refused(wrong):
    """Oracle: the documented error, with the range and the usual rates in it."""
    with pytest.raises(ValueError, match=r"outside 8000 to 192000 Hz.*44100"):
        quantum_length(wrong)


def heard(memory: SampleMemory, blocks) -> list[np.ndarray]:
    """Return a copy of what each tick shows."""
    return [latest.copy() for block in blocks for latest in memory.ticks(block)]


@given(
    st.lists(st.integers(0, 40), max_size=40),
    st.integers(1, 3),
    st.sampled_from([(16, 4), (5, 5), (20, 7), (8, 1)]),
)
def test_any_chopping_shows_the_same_stretches(sizes, channels, lengths):
    """Oracle: slow reference: silence plus all samples in one array, sliced at each tick."""
    length, quantum = lengths
    total = sum(sizes)
    samples = np.arange(1, total * channels + 1, dtype=np.float32).reshape(total, channels)
    ends = np.cumsum([0, *sizes])
    blocks = [samples[a:b] for a, b in itertools.pairwise(ends)]
    whole = np.concatenate([np.zeros((length, channels), np.float32), samples])
    wanted = [
        whole[length + tick * quantum - length : length + tick * quantum].T
        for tick in range(1, total // quantum + 1)
    ]
    found = heard(SampleMemory(channels, length, quantum), blocks)
    assert len(found) == len(wanted)
    for mine, reference in zip(found, wanted, strict=True):
        np.testing.assert_array_equal(mine, reference)


def test_no_samples_are_no_tick():
    """Oracle: definition; one sample short of a quantum is no tick, the last one makes it."""
    memory = SampleMemory(1, 8, 4)
    assert heard(memory, [np.zeros((0, 1), np.float32), np.ones((3, 1), np.float32)]) == []
    assert len(heard(memory, [np.ones((1, 1), np.float32)])) == 1
