"""Frames at the full rate and at a fraction of it: the same spectra, the same power."""

import numpy as np
import pytest

from prehowl.detectors.decimation import decimator_for
from prehowl.detectors.framing import SampleMemory
from prehowl.detectors.spectrum import hann, power_spectra
from prehowl.detectors.transform import Frames, FullRate, LowRate, transform_for

RATE_HZ = 48_000
LONG = Frames(length=8192, hop=2048, per_tick=1, bins=296, lowest_bin=5)


def spectra_of(samples: np.ndarray, frames: Frames = LONG) -> tuple[np.ndarray, np.ndarray]:
    """Return all spectra of samples, (frames, channels, bins), and their sums."""
    channels = len(samples)
    transform = transform_for(channels, RATE_HZ, frames)
    power, total = [], []
    for latest in SampleMemory(channels, transform.reach, frames.hop).ticks(samples.T):
        room = np.empty((1, channels, frames.bins), np.float32)
        total.append(transform.spectra(latest, room)[0])
        power.append(room[0])
    return np.array(power), np.array(total)


def full_rate_frames(samples: np.ndarray) -> np.ndarray:
    """Return all bins of the same frames, cut out of the samples one by one."""
    # The filter's answer comes half its length late, and of eight samples the last one is taken.
    decimate = decimator_for(RATE_HZ, LONG.bins * RATE_HZ / LONG.length, 8)
    late = (len(decimate.taps) - 1) // 2 - 7
    whole = np.concatenate([np.zeros((len(samples), LONG.length + late)), samples], axis=1)
    ends = range(LONG.hop, samples.shape[1] + 1, LONG.hop)
    cut = [whole[:, end : end + LONG.length] for end in ends]
    return power_spectra(np.array(cut, np.float32) * hann(LONG.length)).power


def noise(channels: int, count: int, seed: int = 1) -> np.ndarray:
    """Return white noise."""
    return np.random.default_rng(seed).uniform(-1, 1, (channels, count)).astype(np.float32)


def test_only_frames_of_which_little_is_kept_are_slowed():
    """Oracle: definition."""
    assert isinstance(transform_for(2, RATE_HZ, LONG), LowRate)
    assert isinstance(transform_for(2, RATE_HZ, Frames(4096, 1024, 1, 2049, 3)), FullRate)
    assert isinstance(transform_for(2, RATE_HZ, Frames(1024, 256, 2, 40, 1)), FullRate)
    assert isinstance(transform_for(2, 8000, Frames(1024, 256, 1, 224, 4)), FullRate)


def test_the_bins_are_those_of_the_full_rate():
    """Oracle: slow reference: the same frames at the full rate. Of white noise nine tenths of the
    power lie beyond the bins that are kept."""
    samples = noise(3, 20 * LONG.hop)
    power, _ = spectra_of(samples)
    wanted = full_rate_frames(samples)[:, :, : LONG.bins]
    np.testing.assert_allclose(power, wanted, rtol=1e-3, atol=1e-8)


def test_the_power_of_a_channel_is_that_of_all_bins():
    """Oracle: slow reference, as above (Parseval); its frames are 1 ms older."""
    samples = noise(3, 20 * LONG.hop)
    _, total = spectra_of(samples)
    wanted = full_rate_frames(samples)[:, :, LONG.lowest_bin :].sum(axis=2)
    np.testing.assert_allclose(total[4:], wanted[4:], rtol=0.01)


@pytest.mark.parametrize("hz", [100.0, 440.0, 1500.0, 3000.0, 9000.0])
def test_the_power_of_a_tone_that_grows(hz: float):
    """Oracle: slow reference, as above: at 100 dB/s, 17 dB in a frame."""
    time = np.arange(20 * LONG.hop) / RATE_HZ
    samples = (10 ** (100 * (time - time[-1]) / 20) * np.sin(2 * np.pi * hz * time))[None]
    _, total = spectra_of(samples.astype(np.float32))
    wanted = full_rate_frames(samples)[:, :, LONG.lowest_bin :].sum(axis=2)
    decibels = 10 * np.log10(total[4:] / wanted[4:])
    assert np.abs(decibels).max() < 0.25


def test_an_offset_is_no_part_of_the_power():
    """Oracle: definition: 0.2 of full scale, a broken input, beside -45 dBFS: to within a decibel,
    for what an offset adds to each sample's power is seen by the stretch only."""
    soft = 1e-2 * noise(2, 20 * LONG.hop)
    _, alone = spectra_of(soft)
    _, with_offset = spectra_of(soft + np.float32(0.2))
    np.testing.assert_allclose(with_offset[5:], alone[5:], rtol=0.2)


def test_what_was_not_heard_is_forgotten():
    """Oracle: definition: a channel that is heard again begins with silence; others go on."""
    samples = noise(4, 12 * LONG.hop)
    transform = transform_for(4, RATE_HZ, LONG)
    known = transform_for(4, RATE_HZ, LONG)
    ticks = SampleMemory(4, transform.reach, LONG.hop).ticks(samples.T)
    room, whole = np.empty((2, 1, 4, LONG.bins), np.float32)
    for number, latest in enumerate(ticks):
        if number == 4:
            transform.hear_only([slice(0, 1), slice(2, 4)])
        if number == 8:
            transform.hear_only([slice(None)])
        total, wanted = transform.spectra(latest, room), known.spectra(latest, whole)
        np.testing.assert_array_equal(room[:, [0, 2, 3]], whole[:, [0, 2, 3]])
        np.testing.assert_array_equal(total[:, [0, 2, 3]], wanted[:, [0, 2, 3]])
        if 4 <= number < 8:
            assert not room[0, 1].any()
            assert total[0, 1] == 0
        if number == 8:
            assert 0 < total[0, 1] < 0.2 * wanted[0, 1]
    np.testing.assert_array_equal(room, whole)


def test_silence_has_no_power():
    """Oracle: definition."""
    power, total = spectra_of(np.zeros((2, 8 * LONG.hop), np.float32))
    assert not power.any()
    assert not total.any()
