"""Picking and placing of peaks: exactness, the Cramer-Rao bound, growth, and what is no peak."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from prehowl.detectors.peaks import LOBE_BINS, QUIETEST_DBFS, Peaks, find_peaks, locate
from prehowl.detectors.spectrum import hann, power_spectra

RATE_HZ = 48_000


def cramer_rao_hz(snr_db: float, length: int, rate_hz: float = RATE_HZ) -> float:
    """Return the least standard deviation of the frequency of one real tone in white noise.

    (fs / 2 pi) sqrt(12 / (SNR N (N^2 - 1))), SNR = A^2 / (2 s^2). S. M. Kay, Fundamentals of
    Statistical Signal Processing: Estimation Theory (1993), sinusoid example; Rife & Boorstyn
    1974 for the complex tone (both cited from memory; the formula was derived again).
    """
    snr = 10 ** (snr_db / 10)
    return rate_hz / (2 * math.pi) * math.sqrt(12 / (snr * length * (length**2 - 1)))


def errors_hz(snr_db: float, length: int, *, trials: int = 400, growth_db: float = 0.0):
    """Return the frequency errors of the peak picker for tones of random place and phase."""
    rng = np.random.default_rng(round(snr_db) + length)
    place = rng.uniform(length / 40, length / 3, trials)
    n = np.arange(length)
    phase = rng.uniform(0, 2 * np.pi, (trials, 1))
    rise = 10 ** (growth_db / 20 * (n / length - 1))
    tone = 0.1 * rise * np.sin(2 * np.pi * place[:, None] * n / length + phase)
    sigma = 0.1 / math.sqrt(2 * 10 ** (snr_db / 10))
    frames = (tone + sigma * rng.standard_normal(tone.shape)).astype(np.float32)
    power = power_spectra(frames * hann(length)).power
    near = np.rint(place).astype(np.intp)
    around = np.stack([power[np.arange(trials), near + k] for k in (-1, 0, 1)])
    highest = near + around.argmax(axis=0) - 1
    found, _ = placed(power, np.arange(trials), highest)
    return (found - place) * RATE_HZ / length


def placed(power: np.ndarray, ch, bins) -> tuple[np.ndarray, np.ndarray]:
    """Return position (bins) and level (dBFS) of tones with their highest bin at `bins`."""
    offset, level_dbfs = locate(power[ch, bins - 1], power[ch, bins], power[ch, bins + 1])
    return bins + offset, level_dbfs


def peaks_in(power: np.ndarray, first: int = LOBE_BINS, last: int | None = None) -> Peaks:
    """Return all peaks down to the quietest that is looked at."""
    last = power.shape[1] - 1 - LOBE_BINS if last is None else last
    return find_peaks(power, np.zeros(len(power), np.float32), first, last)


@pytest.mark.parametrize(
    ("length", "snr_db", "bound_hz"),
    [
        (1024, -10, 2.55), (1024, 0, 0.808), (1024, 20, 0.0808), (2048, 0, 0.286),
        (2048, 10, 0.0903), (4096, 0, 0.101), (4096, 20, 0.0101), (8192, 10, 0.0113),
        (8192, 0, 0.0357),
    ],
)  # fmt: skip
def test_the_bound_is_worked_out_as_in_the_table(length, snr_db, bound_hz):
    """Oracle: values worked out independently at 48 kHz; guards the yardstick itself."""
    assert cramer_rao_hz(snr_db, length) == pytest.approx(bound_hz, rel=0.006)


@pytest.mark.parametrize("length", [1024, 2048, 4096, 8192])
@pytest.mark.parametrize("snr_db", [-10, 0, 10, 20])
def test_frequency_error_is_near_the_cramer_rao_bound(length, snr_db):
    """Oracle: the Cramer-Rao bound. Measured over this grid: RMSE / CRB = 1.94 to 2.32, mean 2.14.

    Three Hann bins cannot reach the bound, which holds for a whole frame without a taper: the
    window throws away what the ends of the frame hold, where frequency shows most. The bars leave
    the scatter of 400 trials; the ratio does not depend on length or SNR.
    """
    rmse = math.sqrt((errors_hz(snr_db, length) ** 2).mean())
    assert 1 < rmse / cramer_rao_hz(snr_db, length) < 2.5


def test_an_error_on_stage_is_a_few_cents():
    """Oracle: the bound, worked: 8192 samples at 48 kHz, 1 kHz, 0 dB SNR: 0.036 Hz = 0.06 cents."""
    rmse = math.sqrt((errors_hz(0, 8192) ** 2).mean())
    assert 1200 * math.log2(1 + rmse / 200) < 1.0  # at 200 Hz, where cents are dearest


@pytest.mark.parametrize(
    ("growth_db", "worst_bins"), [(3.0, 0.002), (8.0, 0.01), (20.0, 0.05), (-20.0, 0.05)]
)
def test_a_growing_tone_keeps_its_frequency(growth_db, worst_bins):
    """Oracle: symmetry; growth within the frame widens both flanks alike, so there is no bias.

    What is left depends on the place between the bins and averages out. Measured at worst: 0.0009,
    0.006 and 0.035 bins for 3, 8 and 20 dB a frame (20 dB in 4096 samples are 234 dB/s).
    """
    error_bins = errors_hz(60, 4096, growth_db=growth_db) / (RATE_HZ / 4096)
    assert abs(error_bins.mean()) < 0.002
    assert np.abs(error_bins).max() < worst_bins


def test_a_growing_tone_reads_the_level_of_its_windowed_mean():
    """Oracle: slow reference; amplitude averaged with the window, in the middle of a bin."""
    n = np.arange(4096)
    for growth_db in (5.0, 20.0):
        rise = 10 ** (growth_db / 20 * (n / 4096 - 1))
        frame = (rise * np.sin(2 * np.pi * 200 * n / 4096)).astype(np.float32)
        power = power_spectra(frame[None] * hann(4096)).power
        wanted = 20 * np.log10((hann(4096) * rise).sum() / 2)
        _, found = placed(power, np.array([0]), np.array([200]))
        assert found[0] == pytest.approx(wanted, abs=0.02)


def spectrum_with(bins: dict[int, float], size: int = 257) -> np.ndarray:
    """Return one channel's power, -160 dB but for the given bins, dB."""
    power = np.full((1, size), 1e-16, np.float32)
    for place, level_db in bins.items():
        power[0, place] = 10 ** (level_db / 10)
    return power


def test_two_tones_are_two_peaks_and_channels_are_apart():
    """Oracle: hand-worked: tones at bins 40 and 90 on one channel, 60 on the other."""
    n = np.arange(512)
    first = np.sin(2 * np.pi * 40 * n / 512) + 0.01 * np.sin(2 * np.pi * 90.25 * n / 512)
    second = 0.1 * np.sin(2 * np.pi * 60 * n / 512)
    power = power_spectra(np.stack([first, second]).astype(np.float32) * hann(512)).power
    peaks = find_peaks(power, np.full(2, 1e-6, np.float32), LOBE_BINS, 256 - LOBE_BINS)
    assert peaks.ch.tolist() == [0, 0, 1]
    assert peaks.bin.tolist() == [40, 90, 60]
    assert peaks.index.tolist() == [40, 90, 257 + 60]
    np.testing.assert_array_equal(peaks.power, power[peaks.ch, peaks.bin])
    position, level_dbfs = placed(power, peaks.ch, peaks.bin)
    np.testing.assert_allclose(position, [40, 90.25, 60], atol=0.01)
    np.testing.assert_allclose(level_dbfs, [0, -40, -20], atol=0.05)


def test_neither_the_floor_nor_a_shoulder_is_a_peak():
    """Oracle: definition: above -110 dBFS, a maximum, and above what lies beside its main lobe."""
    assert len(peaks_in(spectrum_with({})).bin) == 0
    assert len(peaks_in(spectrum_with({100: QUIETEST_DBFS - 0.5})).bin) == 0
    assert peaks_in(spectrum_with({100: QUIETEST_DBFS + 0.5})).bin.tolist() == [100]
    hump = spectrum_with({k: -20 - 0.5 * abs(k - 100) for k in range(80, 121)})
    assert len(peaks_in(hump).bin) == 0  # 1.5 dB over 3 bins: broadband


def test_each_channel_has_a_floor_of_its_own():
    """Oracle: hand-worked: one spectrum on three channels, floors of -40, -60 and -20 dBFS."""
    power = np.repeat(spectrum_with({60: -30, 120: -50}), 3, axis=0)
    floor = (10 ** (np.array([-40, -60, -20]) / 10)).astype(np.float32)
    peaks = find_peaks(power, floor, LOBE_BINS, 256 - LOBE_BINS)
    assert list(zip(peaks.ch.tolist(), peaks.bin.tolist(), strict=True)) == [
        (0, 60), (1, 60), (1, 120)
    ]  # fmt: skip


@given(st.integers(0, 2**32 - 1), st.integers(1, 3), st.floats(-12, 3))
def test_peaks_are_those_of_a_plain_loop(seed, channels, floor_db):
    """Oracle: slow reference: the definition, bin by bin, also among equal bins."""
    rng = np.random.default_rng(seed)
    power = 10 ** (rng.integers(-12, 4, (channels, 64)) / np.float32(10))
    power = np.asarray(power, np.float32)
    floor = np.full(channels, 10 ** (floor_db / 10), np.float32)
    wanted = [
        (ch, k)
        for ch in range(channels)
        for k in range(5, 59)
        if power[ch, k] > floor[ch]
        and power[ch, k - 1] < power[ch, k] >= power[ch, k + 1]
        and power[ch, k] > np.float32(10**0.5) * max(power[ch, k - 3], power[ch, k + 3])
    ]
    peaks = find_peaks(power, floor, 5, 58)
    assert list(zip(peaks.ch.tolist(), peaks.bin.tolist(), strict=True)) == wanted


def test_a_plateau_is_one_peak():
    """Oracle: a tone half-way between two bins gives two equal bins and is still one tone."""
    power = spectrum_with({100: -10, 101: -10})
    peaks = peaks_in(power)
    assert len(peaks.bin) == 1
    assert placed(power, peaks.ch, peaks.bin)[0][0] == pytest.approx(100.5, abs=1e-3)


@pytest.mark.parametrize(("first", "last"), [(2, 200), (3, 254), (0, 256)])
def test_a_range_up_to_the_ends_is_refused(first, last):
    """Oracle: the documented error; neighbours must exist."""
    with pytest.raises(ValueError, match="too near the ends of 257 bins"):
        peaks_in(spectrum_with({}), first, last)


def test_noise_gives_finite_peaks_inside_the_range():
    """Oracle: property: sorted by channel then bin, interpolated by at most half a bin."""
    rng = np.random.default_rng(9)
    power = power_spectra(rng.standard_normal((4, 1024)).astype(np.float32) * hann(1024)).power
    peaks = peaks_in(power, 10, 400)
    assert len(peaks.bin) > 20
    assert (np.diff(peaks.ch * 10_000 + peaks.bin) > 0).all()
    assert ((peaks.bin >= 10) & (peaks.bin <= 400)).all()
    position, level_dbfs = placed(power, peaks.ch, peaks.bin)
    assert (np.abs(position - peaks.bin) <= 0.5).all()
    assert np.isfinite(level_dbfs).all()
