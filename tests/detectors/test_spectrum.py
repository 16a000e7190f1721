"""Level calibration of the spectra against scipy.signal and closed forms."""

import numpy as np
import pytest
import scipy.signal
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from signals import sine

from prehowl.detectors.peaks import locate, scalloping_db
from prehowl.detectors.spectrum import FLOOR_DBFS, hann, power_spectra, to_dbfs

LENGTHS = (512, 1024, 2048, 4096, 8192)
RATES = (44_100, 48_000, 88_200, 96_000)
OFFSETS = np.linspace(-0.5, 0.5, 21)


def tones(bins, frame_length, *, amplitude=1.0, seed=0):
    """Return one frame for each frequency, given in bins; random phases."""
    phase = np.random.default_rng(seed).uniform(0, 2 * np.pi, len(bins))
    n = np.arange(frame_length)
    angle = 2 * np.pi * np.asarray(bins)[:, None] * n / frame_length
    return (amplitude * np.sin(angle + phase[:, None])).astype(np.float32)


def loudest(frames):
    """Return position and level of the highest peak of each frame."""
    length = frames.shape[1]
    power = spectrum_of(frames)
    ch = np.arange(len(frames))
    best = power[:, 3 : length // 2 - 3].argmax(axis=1) + 3
    offset, level_dbfs = locate(power[ch, best - 1], power[ch, best], power[ch, best + 1])
    return best + offset, level_dbfs


def spectrum_of(frames):
    """Return the power of windowed frames, shape (frames, bins)."""
    return power_spectra(np.asarray(frames, np.float32) * hann(frames.shape[-1])).power


@pytest.mark.parametrize("frame_length", LENGTHS)
def test_the_window_is_scipys_periodic_hann_with_sum_two(frame_length):
    """Oracle: scipy.signal.get_window('hann'), periodic by default."""
    window = scipy.signal.get_window("hann", frame_length)
    np.testing.assert_allclose(hann(frame_length), window * 2 / window.sum(), atol=1e-9)
    assert hann(frame_length).sum() == pytest.approx(2, rel=1e-6)
    assert hann(frame_length).dtype == np.float32


@pytest.mark.parametrize("frame_length", LENGTHS)
def test_full_scale_sine_reads_0_dbfs_in_every_position(frame_length):
    """Oracle: definition, 0 dBFS +- 0.1 dB; 21 places between the bins, from bin 8 to the top.

    Measured over this grid: at most 0.001 dB and 0.00003 bins off.
    """
    for base in np.unique(np.geomspace(8, frame_length // 2 - 8, 12).astype(int)):
        position, level = loudest(tones(base + OFFSETS, frame_length, seed=int(base)))
        np.testing.assert_allclose(level, 0, atol=0.005)
        np.testing.assert_allclose(position, base + OFFSETS, atol=2e-4)


@pytest.mark.parametrize("rate_hz", RATES)
@pytest.mark.parametrize("frequency_hz", [100.0, 997.0, 2513.4, 12_345.6])
def test_the_reading_is_in_hz_and_dbfs_at_every_rate(rate_hz, frequency_hz):
    """Oracle: the tone that was made, at -18 dBFS; 997 Hz is the usual test tone."""
    length = 8192
    tone = sine(frequency_hz, length / rate_hz + 0.01, rate_hz, level_dbfs=-18)
    position, level = loudest(tone[None, :length].astype(np.float32))
    assert level[0] == pytest.approx(-18, abs=0.02)
    assert position[0] * rate_hz / length == pytest.approx(
        frequency_hz, abs=0.02 * rate_hz / length
    )


@pytest.mark.parametrize("rate_hz", RATES)
def test_every_bin_is_that_of_scipys_periodogram(rate_hz):
    """Oracle: scipy.signal.periodogram, scaling='spectrum': mean square; a sine's is half a peak.

    Its one-sided spectrum doubles all but the end bins; ours reads peak power, another factor of
    two, so 2 * theirs; the end bins, which are not doubled, 4 * theirs.
    """
    rng = np.random.default_rng(3)
    frames = rng.uniform(-1, 1, (3, 2048)).astype(np.float32)
    _, reference = scipy.signal.periodogram(
        frames.astype(float), rate_hz, "hann", detrend=False, scaling="spectrum"
    )
    power = spectrum_of(frames)
    np.testing.assert_allclose(power[:, 1:-1], 2 * reference[:, 1:-1], rtol=2e-3, atol=1e-10)
    np.testing.assert_allclose(power[:, [0, -1]], 4 * reference[:, [0, -1]], rtol=2e-3, atol=1e-10)


def test_the_mean_of_frames_is_that_of_welch():
    """Oracle: scipy.signal.welch, half-overlapping frames, scaling='spectrum'."""
    rng = np.random.default_rng(4)
    samples = 0.1 * rng.standard_normal(20_480) + sine(1000, 0.5, 48_000)[:20_480]
    _, reference = scipy.signal.welch(
        samples, 48_000, "hann", nperseg=4096, noverlap=2048, detrend=False, scaling="spectrum"
    )
    frames = np.lib.stride_tricks.sliding_window_view(samples, 4096)[::2048].astype(np.float32)
    power = spectrum_of(frames).mean(axis=0)
    np.testing.assert_allclose(power[1:-1], 2 * reference[1:-1], rtol=2e-3, atol=1e-10)


def test_full_scale_square_and_noise_read_what_theory_says():
    """Oracle: Fourier series: a unit square's n-th harmonic is 4/(pi n); Parseval with the window.

    White noise of variance s^2 reads 2 s^2 (window power gain 1.5) * 2 / M on average.
    """
    n = np.arange(4096)
    square = np.where(np.sin(2 * np.pi * 16 * (n + 0.5) / 4096) >= 0, 1.0, -1.0)
    power = spectrum_of(square[None])[0]
    for harmonic in (1, 3, 5):
        assert to_dbfs(power[16 * harmonic]) == pytest.approx(
            20 * np.log10(4 / (np.pi * harmonic)), abs=0.05
        )
    rng = np.random.default_rng(5)
    frames = (0.1 * rng.standard_normal((64, 4096))).astype(np.float32)
    mean = spectrum_of(frames)[:, 2:-2].mean()
    assert mean == pytest.approx(0.01 * 4 * 1.5 / 4096, rel=0.02)


def test_scalloping_is_that_of_the_hann_window():
    """Oracle: closed form; the textbook's worst case of a Hann window is 1.42 dB half a bin off."""
    assert scalloping_db(np.float32([0.0]))[0] == pytest.approx(0, abs=1e-5)
    np.testing.assert_allclose(scalloping_db(np.float32([-0.5, 0.5])), 1.4236, atol=1e-3)
    window = hann(1024).astype(float)
    for off in (0.1, 0.25, 0.4):
        n = np.arange(1024)
        reads = abs((window * np.exp(2j * np.pi * off * n / 1024)).sum() / 2)
        assert scalloping_db(np.float32([off]))[0] == pytest.approx(-20 * np.log10(reads), abs=1e-4)


def test_silence_reads_the_floor():
    """Oracle: the documented floor of -140 dBFS, to float32; no warning, no infinity."""
    power = spectrum_of(np.zeros((2, 512)))
    np.testing.assert_allclose(to_dbfs(power), FLOOR_DBFS, atol=1e-4)
    assert FLOOR_DBFS == -140


@given(arrays(np.float32, (2, 64), elements=st.floats(-1, 1, width=32)))
def test_finite_samples_give_finite_power(frames):
    """Oracle: property; power is never below zero and never above full scale times two."""
    power = spectrum_of(frames)
    assert power.shape == (2, 33)
    assert power.dtype == np.float32
    assert np.isfinite(power).all()
    assert (power >= 0).all()
    assert (power <= 4.001).all()  # a full-scale constant: amplitude 2 in bin 0
    assert (to_dbfs(power) >= FLOOR_DBFS - 1e-4).all()
