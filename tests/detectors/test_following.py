"""How known rings are sighted in a frame: on tones whose truth is known."""

import numpy as np
import pytest
from signals import Rise, channels, pink_noise, sine

from prehowl.detectors.background import Background
from prehowl.detectors.designs import DESIGNS
from prehowl.detectors.following import Sighting, sight
from prehowl.detectors.framing import SampleMemory, quantum_length
from prehowl.detectors.resolution import Resolution

RATE_HZ = 48_000
MAIN = DESIGNS[1]


def sighted(samples: np.ndarray, places: list[tuple[int, float]]) -> Sighting:
    """Return the sighting of (channel, hertz) in the last main frame of some samples."""
    quantum, count = quantum_length(RATE_HZ), samples.shape[1]
    resolution = Resolution(MAIN, count, RATE_HZ, quantum, np.zeros(count, bool), Background())
    memory = SampleMemory(count, resolution.frame_length + quantum, quantum)
    for tick, latest in enumerate(memory.ticks(samples), start=1):
        if resolution.due(tick):
            now = resolution.advance(resolution.spectra(latest))
    ch, frequency_hz = np.array([c for c, _ in places]), np.array([f for _, f in places])
    return sight(now, resolution.memory, ch, frequency_hz)


@pytest.mark.parametrize("off_hz", [-11.0, -3.0, 0.0, 3.0, 11.0])
def test_a_ring_is_found_a_bin_away(off_hz):
    """Oracle: truth: bins are 11.7 Hz apart; place to 0.1 Hz, level, and nearly all the power."""
    tone = sine(1234.5, 1.0, RATE_HZ, level_dbfs=-20)
    samples = channels(tone + pink_noise(1.0, RATE_HZ, level_dbfs=-70, seed=1))
    seen = sighted(samples, [(0, 1234.5 + off_hz)])
    assert seen.is_peak.tolist() == [True]
    assert seen.frequency_hz[0] == pytest.approx(1234.5, abs=0.1)
    assert seen.level_dbfs[0] == pytest.approx(-20, abs=0.05)
    assert seen.slope_db_per_s[0] == pytest.approx(0, abs=0.5)
    assert seen.share[0] == pytest.approx(1, abs=0.02)


@pytest.mark.parametrize("growth", [25.0, 60.0])
def test_slope_is_that_of_the_rise_and_of_the_fall(growth):
    """Oracle: truth of the signal, with its sign, on two channels at once."""
    rise = Rise(1712.0, growth, starts_s=-0.4, top_dbfs=0)
    up = rise.samples(1.0, RATE_HZ)
    seen = sighted(channels(up, up[::-1]), [(0, 1712.0), (1, 1712.0)])
    np.testing.assert_allclose(seen.slope_db_per_s, [growth, -growth], rtol=0.02)


def test_share_is_of_the_channels_power():
    """Oracle: hand-worked: two tones of one level hold half each, one of -10 dB a twelfth."""
    parts = [sine(f, 1.0, RATE_HZ, level_dbfs=level)
             for f, level in ((800, -20), (2000, -20), (3500, -30))]  # fmt: skip
    seen = sighted(channels(sum(parts)), [(0, 800.0), (0, 2000.0), (0, 3500.0)])
    np.testing.assert_allclose(seen.share, [1 / 2.1, 1 / 2.1, 0.1 / 2.1], rtol=0.02)


def test_where_nothing_is_there_is_no_peak():
    """Oracle: truth: silence, the tone's own skirt, another channel; and figures are finite."""
    tone = sine(1234.5, 1.0, RATE_HZ, level_dbfs=-20)
    places = [(1, 1234.5), (0, 1234.5 + 60), (0, 20.0), (0, 23_990.0)]
    seen = sighted(channels(tone, 0 * tone), places)
    assert not seen.is_peak.any()
    for figures in (seen.level_dbfs, seen.slope_db_per_s, seen.frequency_hz, seen.share):
        assert np.isfinite(figures).all()
