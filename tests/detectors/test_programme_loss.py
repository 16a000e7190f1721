"""What equalisers take from pink noise and speech, against closed forms and a slow reference."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import sosfreqz

from prehowl.detectors.bands import NOMINAL_HZ, band_index, exact_centres_hz
from prehowl.detectors.graphic_eq import graphic_sections
from prehowl.detectors.programme_loss import Loss, programme_loss, speech_power

RATE_HZ = 48_000


def _faders(**bands_db):
    wanted = {float(name[1:]): gain for name, gain in bands_db.items()}
    return [wanted.get(float(nominal), 0.0) for nominal in NOMINAL_HZ]


def test_a_flat_equaliser_takes_nothing():
    """Oracle: definition."""
    assert programme_loss(graphic_sections([0] * 31, RATE_HZ), RATE_HZ) == Loss(0.0, 0.0)


def test_a_plain_gain_takes_its_decibels_from_everything():
    """Oracle: closed form: a gain has no frequency."""
    gain = 10 ** (-6 / 20)
    loss = programme_loss(np.array([[gain, 0, 0, 1, 0, 0]]), RATE_HZ)
    assert (loss.pink_db, loss.speech_db) == pytest.approx((6, 6))


def test_pink_noise_is_what_a_slow_sum_over_octaves_says():
    """Oracle: slow reference: scipy's response summed over 20,000 frequencies equal in pitch."""
    sections = graphic_sections(_faders(b250=-3, b2500=-6, b3150=-3), RATE_HZ)
    frequency = np.geomspace(17.783, 22_387, 20_000)
    _, response = sosfreqz(sections, frequency, fs=RATE_HZ)
    expected = -10 * np.log10(np.mean(np.abs(response) ** 2))
    assert programme_loss(sections, RATE_HZ).pink_db == pytest.approx(expected, abs=2e-3)


def test_speech_at_normal_effort_is_as_loud_as_published():
    """Oracle: ANSI S3.5-1997 (from memory): 62.35 dB SPL over all, normal effort, at 1 m."""
    frequency = np.geomspace(100, 10_000, 20_000)
    total = speech_power(frequency).sum() * np.log(100) / (frequency.size - 1)
    assert 10 * np.log10(total) == pytest.approx(62.35, abs=0.1)


@pytest.mark.parametrize(
    ("octave_hz", "level_db"),
    [(250, 34.75), (500, 34.27), (1000, 25.01), (2000, 17.32), (4000, 9.33)],
)
def test_speech_has_the_published_spectrum_level(octave_hz, level_db):
    """Oracle: ANSI S3.5-1997, octave-band table, normal effort, dB in 1 Hz (from memory)."""
    centre = exact_centres_hz()[int(band_index(octave_hz))]
    found = speech_power(np.array([centre]))[0] / centre
    assert 10 * np.log10(found) == pytest.approx(level_db, abs=0.01)


def test_speech_feels_500_hz_and_hardly_10_khz():
    """Oracle: ANSI S3.5-1997: speech has its power below 1 kHz and nothing above 8.9 kHz."""
    low = programme_loss(graphic_sections(_faders(b500=-3), RATE_HZ), RATE_HZ)
    high = programme_loss(graphic_sections(_faders(b16000=-3), RATE_HZ), RATE_HZ)
    assert low.speech_db > 2 * low.pink_db
    assert high.speech_db < 0.01 < high.pink_db


def test_a_usual_ring_out_costs_less_than_a_decibel_of_pink_noise():
    """Oracle: common practice, no source: 2-4 dB in four bands do not ruin the sound."""
    gains = _faders(b250=-2, b800=-3, b2500=-4, b4000=-3)
    assert 0.2 < programme_loss(graphic_sections(gains, RATE_HZ), RATE_HZ).pink_db < 1.0


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(-12, 0), min_size=31, max_size=31), st.integers(0, 30))
def test_a_further_cut_never_makes_it_louder(gains, band):
    """Oracle: property; a cut takes power at every frequency."""
    deeper = list(gains)
    deeper[band] -= 3
    before = programme_loss(graphic_sections(gains, RATE_HZ), RATE_HZ)
    after = programme_loss(graphic_sections(deeper, RATE_HZ), RATE_HZ)
    assert after.pink_db >= before.pink_db - 1e-9 >= -1e-9
    assert after.speech_db >= before.speech_db - 1e-9 >= -1e-9
