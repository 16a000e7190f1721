"""What is asked about a line that may linger: the figures of the last second or two.

The sounds are textbook ones: a tone that stands, notes in company, words that come and go.
"""

import numpy as np
import pytest

from prehowl.detectors.engine import ChannelSetup, Engine
from prehowl.detectors.lingering_signals import SIGNALS

RATE_HZ = 48000
SECONDS = 6
TIME_S = np.arange(SECONDS * RATE_HZ) / RATE_HZ


def noise(level_dbfs: float) -> np.ndarray:
    """Return white noise of a mean square as a sine of that level has."""
    white = np.random.default_rng(1).standard_normal(len(TIME_S))
    return white * 10 ** (level_dbfs / 20) / np.sqrt(2)


def tone(hz: float, level_dbfs: float) -> np.ndarray:
    """Return a sine that stands."""
    return 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * hz * TIME_S)


def figures_at(sound: np.ndarray, hz: float) -> dict[str, float]:
    """Return what is asked about the line at a frequency when it is looked at last."""
    engine = Engine(RATE_HZ, [ChannelSetup()])
    found = {}
    for _, resolution, spectra in engine.spectra(sound[:, None].astype(np.float32)):
        now = resolution.advance(spectra)
        if resolution.survey is not None and resolution.take_in():
            lines = resolution.survey.candidates(now)
            for signals in lines.signals[np.abs(lines.place * now.bin_hz - hz) < now.bin_hz]:
                found = dict(zip(SIGNALS, signals.tolist(), strict=True))
    return found


@pytest.mark.parametrize(("hz", "frame"), [(250.0, 8192), (1000.0, 4096), (6300.0, 4096)])
def test_a_tone_over_noise_stands_alone_and_high(hz: float, frame: int) -> None:
    """Oracle: handbook: a Hann window's noise bandwidth is 1.5 bins of the frame's half.

    The mean of the decibels of noise lies 2.51 dB under the decibels of its mean (10 times Euler's
    constant over ln 10, Rice 1944; from memory).
    """
    found = figures_at(tone(hz, -20) + noise(-30), hz)
    in_a_bin = -30 + 10 * np.log10(1.5 / (frame / 2)) - 2.51
    assert found["just_spread"] < 0.2
    assert found["just_over"] == pytest.approx(-20 - in_a_bin, abs=1)
    assert found["just_others"] == 0


def test_lines_in_company_count_each_other() -> None:
    """Oracle: by hand: of three that stand, each has two beside it; noise adds none."""
    three = sum(tone(hz, -20) for hz in (700.0, 1130.0, 2900.0))
    for hz in (700.0, 1130.0, 2900.0):
        assert figures_at(three + noise(-50), hz)["just_others"] == 2


def test_a_tone_that_trembles_does_not_stand() -> None:
    """Oracle: 10 dB up and down as a sine are 3.5 dB of standard deviation (10 / (2 sqrt 2))."""
    trembling = tone(1000.0, -20) * 10 ** (5 * np.sin(2 * np.pi * 1.5 * TIME_S) / 20)
    assert figures_at(trembling + noise(-60), 1000.0)["just_spread"] == pytest.approx(3.5, abs=0.5)


def test_the_rest_varies_with_the_words_and_not_with_the_line() -> None:
    """Oracle: words 40 dB over the stage, half of the time, are 20 dB of standard deviation.

    The line is as loud as the words, so the channel's power varies by 3 dB only; a line alone
    has no rest but what the window leaks, and that is steady.
    """
    words = noise(-25) * np.where(TIME_S % 1.0 < 0.5, 1, 0.01)
    assert figures_at(tone(2000.0, -32) + words, 2000.0)["rest_spread"] > 10
    assert figures_at(tone(2000.0, -32) + noise(-40), 2000.0)["rest_spread"] < 1
    assert figures_at(tone(2000.0, -32), 2000.0)["rest_spread"] < 0.01
