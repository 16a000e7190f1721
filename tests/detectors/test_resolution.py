"""Frames cut by the resolutions, when they are due, and what the peaks' channels were like."""

import copy

import numpy as np
import pytest

from prehowl.detectors.background import Background
from prehowl.detectors.designs import DESIGNS, SLOW_STEP, Design
from prehowl.detectors.framing import SampleMemory, quantum_length
from prehowl.detectors.harmonics import MULTIPLES
from prehowl.detectors.neighbours import FARTHEST
from prehowl.detectors.resolution import (
    FIRST_SURVEY_S,
    RECENT_S,
    RUMBLE_HZ,
    Resolution,
)
from prehowl.detectors.spectrum import Spectra, hann, power_spectra

RATE_HZ = 48_000
QUANTUM = quantum_length(RATE_HZ)


def resolution_of(design: Design, channels: int = 1) -> Resolution:
    """Return a resolution without reference channels."""
    return Resolution(design, channels, RATE_HZ, QUANTUM, np.zeros(channels, bool), Background())


def flat(resolution: Resolution, power: float) -> Spectra:
    """Return the spectrum of one tick of a channel in which all bins are alike."""
    bins = resolution.memory.bins
    return Spectra(
        np.full((resolution.frames_per_tick, 1, bins), power, np.float32),
        np.full((resolution.frames_per_tick, 1), power * bins, np.float32),
    )


def spectra_of(design: Design, samples: np.ndarray):
    """Return the resolution and every spectrum of a stream, in order, and their totals."""
    resolution = resolution_of(design, samples.shape[1])
    memory = SampleMemory(samples.shape[1], resolution.frame_length + QUANTUM, QUANTUM)
    spectra = [
        copy.deepcopy(resolution.spectra(latest))
        for tick, latest in enumerate(memory.ticks(samples), start=1)
        if resolution.due(tick)
    ]
    power = np.concatenate([own.power for own in spectra])
    return resolution, power, np.concatenate([own.total for own in spectra])


@pytest.mark.parametrize("design", DESIGNS[1:], ids=lambda design: design.name)
def test_frames_end_every_hop(design: Design):
    """Oracle: slow reference: silence plus the samples, cut at every multiple of the hop. For long
    frames, which come at a lower rate, test_transform asks the same."""
    rng = np.random.default_rng(1)
    samples = rng.uniform(-1, 1, (40 * QUANTUM, 2)).astype(np.float32)
    resolution, spectra, totals = spectra_of(design, samples)
    length, hop = resolution.frame_length, resolution.hop_length
    whole = np.concatenate([np.zeros((length, 2), np.float32), samples]).T
    # Of a tick's frames the last one ends on the tick, so the first ends one hop before it.
    ends = range(hop, len(samples) + 1, hop)
    assert len(spectra) == len(ends)
    for spectrum, total, end in zip(spectra, totals, ends, strict=True):
        frame = np.ascontiguousarray(whole[:, end : end + length])
        wanted = power_spectra(frame * hann(length)).power
        np.testing.assert_allclose(spectrum, wanted[:, : resolution.memory.bins], atol=1e-7)
        audible = wanted[:, max(1, round(RUMBLE_HZ * length / RATE_HZ)) :]
        np.testing.assert_allclose(total, audible.sum(axis=1), rtol=1e-5)


@pytest.mark.parametrize("design", DESIGNS, ids=lambda design: design.name)
def test_every_bin_that_is_looked_at_is_kept(design: Design):
    """Oracle: definition: the highest peak, its neighbours and all its harmonics up to the end."""
    resolution = resolution_of(design)
    whole = resolution.frame_length // 2 + 1
    highest = round(resolution.highest_hz / resolution.bin_hz)
    asked = max(highest + FARTHEST, round(max(MULTIPLES) * (highest + 1)) + 1)
    assert resolution.memory.bins == whole or asked < resolution.memory.bins < whole


@pytest.mark.parametrize("design", DESIGNS, ids=lambda design: design.name)
def test_lengths_in_seconds_and_hertz_agree(design: Design):
    """Oracle: definition: hop and frame in quanta of 512 samples; bins rate / length apart."""
    resolution = resolution_of(design)
    assert resolution.frame_length == design.frame_quanta * 512
    assert resolution.frame_s == pytest.approx(design.frame_quanta * 512 / 48_000)
    assert resolution.hop_s == pytest.approx(design.hop_quanta * 512 / 48_000)
    assert resolution.bin_hz == pytest.approx(48_000 / resolution.frame_length)
    assert resolution.highest_hz > resolution.lowest_hz
    assert resolution.lowest_hz == pytest.approx(design.low_hz, abs=resolution.bin_hz * 4)
    assert resolution.highest_hz == pytest.approx(design.high_hz, abs=resolution.bin_hz)


@pytest.mark.parametrize("design", DESIGNS, ids=lambda design: design.name)
def test_slow_memory_keeps_every_fourth_frame(design: Design):
    """Oracle: definition; where frames are 4 hops long, one begins where the one before it ends."""
    assert design.frame_quanta == SLOW_STEP * design.hop_quanta
    resolution = resolution_of(design)
    for number in range(1, 10):
        resolution.advance(flat(resolution, number))
    slow = resolution._slow
    if not design.slow_steps:
        assert slow is resolution.memory
        return
    kept = [float(slow.at(np.array([5]), back)[0]) for back in range(3)]
    assert kept == [8, 4, 0]
    assert slow.hop_s == pytest.approx(resolution.frame_s)


@pytest.mark.parametrize("name", ["long", "main"])
def test_a_look_for_lingering_lines_waits_until_it_is_asked_for_and_is_told_once(name: str):
    """Oracle: definition: one look each `survey_step` slow frames, none before 0.6 s are heard."""
    design = next(design for design in DESIGNS if design.name == name)
    resolution = resolution_of(design)
    told_after = []
    for number in range(1, 20 * SLOW_STEP * design.survey_step + 1):
        resolution.advance(flat(resolution, number % 3))
        assert resolution.lingering() is None
        resolution.catch_up()
        if resolution.lingering() is not None:
            told_after.append(number)
        assert resolution.lingering() is None
    first = SLOW_STEP * design.survey_at
    wanted = range(first, 20 * SLOW_STEP * design.survey_step + 1, SLOW_STEP * design.survey_step)
    assert told_after == [n for n in wanted if n * resolution.hop_s > FIRST_SURVEY_S]


def test_recent_power_is_a_mean_at_first_and_forgets_later():
    """Oracle: closed form: the plain mean of the first frames; then a step fades as exp(-t / T)."""
    main = next(design for design in DESIGNS if design.name == "main")
    resolution = resolution_of(main)
    for power in (1, 5, 3):
        now = resolution.advance(flat(resolution, power))
    assert now.total[0] == pytest.approx(3 * resolution.memory.bins)
    assert now.recent_power[0] == pytest.approx(3 * resolution.memory.bins)
    for _ in range(400):
        resolution.advance(flat(resolution, 1))
    frames = 50
    for _ in range(frames):
        now = resolution.advance(flat(resolution, 0))
    faded = np.exp(-frames * resolution.hop_s / RECENT_S)
    assert now.recent_power[0] == pytest.approx(resolution.memory.bins * faded, rel=1e-3)


def test_what_is_kept_of_a_frame_does_not_change_later():
    """Oracle: invariance: a `Now` that a caller keeps is left alone by the frames that follow."""
    main = next(design for design in DESIGNS if design.name == "main")
    resolution = resolution_of(main)
    now = resolution.advance(flat(resolution, 1))
    kept = now.recent_power.copy()
    resolution.advance(flat(resolution, 9))
    np.testing.assert_array_equal(now.recent_power, kept)
