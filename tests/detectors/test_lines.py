"""Frames cut by the resolutions and lines followed through them."""

import numpy as np
import pytest
from howl_runs import MAIN
from hypothesis import given
from hypothesis import strategies as st
from signals import pink_noise, sine

from prehowl.detectors.framing import SampleMemory, quantum_length
from prehowl.detectors.lines import SLOTS, History
from prehowl.detectors.resolution import DESIGNS, Design, Resolution
from prehowl.detectors.spectrum import hann, power_spectrum

RATE_HZ = 48_000
QUANTUM = quantum_length(RATE_HZ)


def spectra_of(design: Design, samples: np.ndarray):
    """Return the resolution and every spectrum of a stream, in order, (frames, channels, bins)."""
    resolution = Resolution(design, samples.shape[1], RATE_HZ, QUANTUM)
    memory = SampleMemory(samples.shape[1], resolution.frame_length + QUANTUM, QUANTUM)
    spectra = [
        resolution.spectra(latest).copy()
        for tick, latest in enumerate(memory.ticks(samples), start=1)
        if resolution.due(tick)
    ]
    return resolution, np.concatenate(spectra)


def views_of(samples: np.ndarray):
    """Yield the view of the main resolution after each frame of one channel."""
    resolution, spectra = spectra_of(MAIN, samples[:, None].astype(np.float32))
    for power in spectra:
        yield resolution.step(power)[0]


@pytest.mark.parametrize("design", DESIGNS, ids=lambda design: design.name)
def test_frames_end_every_hop(design: Design):
    """Oracle: slow reference: silence plus the samples, cut at every multiple of the hop."""
    rng = np.random.default_rng(1)
    samples = rng.uniform(-1, 1, (40 * QUANTUM, 2)).astype(np.float32)
    resolution, spectra = spectra_of(design, samples)
    length, hop = resolution.frame_length, resolution.hop_length
    whole = np.concatenate([np.zeros((length, 2), np.float32), samples]).T
    # Of a tick's frames the last one ends on the tick, so the first ends one hop before it.
    ends = range(hop, len(samples) + 1, hop)
    assert len(spectra) == len(ends)
    for spectrum, end in zip(spectra, ends, strict=True):
        frame = np.ascontiguousarray(whole[:, end : end + length])
        np.testing.assert_allclose(spectrum, power_spectrum(frame, hann(length)), atol=1e-7)


@pytest.mark.parametrize("design", DESIGNS, ids=lambda design: design.name)
def test_lengths_in_seconds_and_hertz_agree(design: Design):
    """Oracle: definition: hop and frame in quanta of 512 samples; bins rate / length apart."""
    resolution = Resolution(design, 1, RATE_HZ, QUANTUM)
    assert resolution.frame_length == design.frame_quanta * 512
    assert resolution.frame_s == pytest.approx(design.frame_quanta * 512 / 48_000)
    assert resolution.hop_s == pytest.approx(design.hop_quanta * 512 / 48_000)
    assert resolution.bin_hz == pytest.approx(48_000 / resolution.frame_length)
    assert resolution.is_useful


# history


@given(st.integers(1, 12), st.integers(0, 40), st.data())
def test_history_is_the_last_values_in_order(length, count, data):
    """Oracle: slow reference: a list; before anything was heard a line was not there."""
    history, added = History(3, length), []
    rng = np.random.default_rng(count)
    for _ in range(count):
        values = [rng.standard_normal(3).astype(np.float32) for _ in range(3)]
        history.add(*values)
        added.append(values)
    rows = np.array(data.draw(st.lists(st.integers(0, 2), min_size=1, max_size=4)))
    frames = data.draw(st.integers(1, length))
    found = history.last(rows, frames)
    for which in range(3):
        assert found[which].shape == (len(rows), frames)
        for back in range(1, min(frames, count) + 1):
            np.testing.assert_array_equal(found[which][:, -back], added[-back][which][rows])
    assert (found[2][:, : max(0, frames - count)] == 0).all()


def test_forgetting_a_line_leaves_the_others():
    """Oracle: definition."""
    history = History(3, 4)
    for _ in range(4):
        history.add(*(np.ones(3, np.float32) for _ in range(3)))
    history.forget(np.array([1]))
    _, _, present = history.last(np.arange(3), 4)
    assert present.sum(axis=1).tolist() == [4, 0, 4]


# lines


def test_a_steady_tone_is_one_line_from_its_first_frames_on():
    """Oracle: truth: one slot for its whole life, always seen, at its place and level."""
    views = list(views_of(sine(1234.5, 0.8, RATE_HZ, level_dbfs=-30)))[20:]
    rows = {int(view.row[np.argmax(view.level_dbfs)]) for view in views}
    assert len(rows) == 1
    for view in views:
        loudest = int(np.argmax(view.level_dbfs))
        assert view.frequency_hz[loudest] == pytest.approx(1234.5, abs=0.05)
        assert view.level_dbfs[loudest] == pytest.approx(-30, abs=0.05)
    _, position, present = views[-1].fast.last(np.array([rows.pop()]), 40)
    assert present.all()
    assert np.ptp(position) < 0.01


def test_no_line_was_seen_more_often_than_it_is_old():
    """Oracle: property: a line that takes over a freed slot brings no past of its forerunner."""
    seen_any = 0
    for view in views_of(pink_noise(1.5, RATE_HZ, level_dbfs=-20, seed=3)):
        _, _, present = view.fast.last(view.row, 48)
        assert (present.sum(axis=1) <= view.age + 1e-6).all()
        seen_any += len(view.row)
    assert seen_any > 100


def test_a_line_ends_when_its_tone_has_ended():
    """Oracle: truth: 0.3 s after the stop nothing is left but what the noise makes."""
    tone = sine(2000, 1.2, RATE_HZ, level_dbfs=-20)
    tone[RATE_HZ // 2 :] = 0
    views = list(views_of(tone + pink_noise(1.2, RATE_HZ, level_dbfs=-60, seed=4)))
    alive = [bool((np.abs(view.frequency_hz - 2000) < 5).any()) for view in views]
    stop = RATE_HZ // 2 // QUANTUM
    assert all(alive[20:stop])
    # A line needs five frames to be shown: what is shown here would have been born after the stop.
    assert not any(view.age[np.abs(view.frequency_hz - 2000) < 5].max(initial=0) > 30
                   for view in views[stop + 45 :])  # fmt: skip


def test_of_too_many_tones_the_loudest_are_followed():
    """Oracle: definition: 40 tones of falling level; those followed are the loudest ones."""
    frequencies = 400 + 250 * np.arange(40)
    levels = -20 - 0.5 * np.random.default_rng(5).permutation(40)
    samples = sum(
        sine(f, 0.4, RATE_HZ, level_dbfs=level, phase=n)
        for n, (f, level) in enumerate(zip(frequencies, levels, strict=True))
    )
    view = list(views_of(samples * np.hanning(len(samples)) ** 0.1))[-12]
    assert len(view.row) == SLOTS
    followed = np.abs(view.frequency_hz[:, None] - frequencies).argmin(axis=1)
    assert len(set(followed)) == SLOTS
    assert levels[followed].min() > np.sort(levels)[::-1][SLOTS] - 3
