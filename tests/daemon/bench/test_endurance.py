"""The benches of time and endurance: their parts by closed form, the whole on a small case."""

import numpy as np
import pytest
from conformance import SourceConformance

from prehowl.daemon.bench.latency import measure_latency
from prehowl.daemon.bench.repeated import ROUND_S, RepeatedSource, one_round
from prehowl.daemon.bench.soak import line_slope, soak

RATE_HZ = 48000


class TestRepeatedSource(SourceConformance):
    """It keeps the promises of every source."""

    def make(self, tmp_path):
        """Return half a second, live."""
        sound = np.random.default_rng(1).normal(0, 0.1, (9000, 2)).astype(np.float32)
        return RepeatedSource(sound, RATE_HZ, 0.5, block_length=512, is_live=True)

    def test_rounds_follow_each_other_to_the_sample(self, tmp_path):
        """Oracle: the round itself, repeated and cut."""
        source = self.make(tmp_path)
        came = np.concatenate([block.samples for block in self.read_all(source)])
        sound = np.random.default_rng(1).normal(0, 0.1, (9000, 2)).astype(np.float32)
        np.testing.assert_array_equal(came, np.concatenate([sound] * 3)[: RATE_HZ // 2])
        assert len(source.handed_ns) == -(-RATE_HZ // 2 // 512)
        assert np.all(np.diff(source.handed_ns) > 0)


def test_the_slope_is_that_of_the_line_and_its_error_that_of_the_noise():
    """Oracle: closed form, and scipy.stats.linregress as a second opinion."""
    from scipy.stats import linregress

    x = np.arange(50.0)
    assert line_slope(x, 3 * x + 7) == pytest.approx((3, 0), abs=1e-9)
    y = 0.5 * x + np.random.default_rng(4).normal(0, 2, 50)
    other = linregress(x, y)
    assert line_slope(x, y) == pytest.approx((other.slope, other.stderr))


def test_a_round_has_howls_and_stays_within_full_scale():
    """Oracle: definition."""
    sound = one_round(3, 8000, seed=2)
    assert sound.shape == (ROUND_S * 8000, 3)
    assert 0.1 < np.abs(sound).max() <= 1.0


@pytest.mark.skipif("not __import__('pathlib').Path('/proc/self/statm').exists()", reason="Linux")
def test_a_small_soak_loses_nothing():
    """Oracle: the same engine in other blocks; the logbook's own count; the open files."""
    told = []
    found = soak(1, 8000, 0.01, 3, told.append)
    assert found.events == found.events_of_scan == found.events_in_logbook
    assert found.events > 5
    assert found.files_last <= found.files_first
    assert len(told) > 10


def test_every_event_leaves_as_a_datagram():
    """Oracle: an independent socket. How long it took depends on the machine; that it came, not."""
    found = measure_latency(1, 8000, 5.0, 3)
    assert found.events > 3
    assert found.missing == 0
    assert 0 < found.median_ms <= found.p99_ms <= found.worst_ms
