"""The benches of time and endurance: their parts by closed form, the whole on a small case."""

import numpy as np
import pytest
from conformance import SourceConformance
from scipy.signal import welch

from prehowl.daemon.bench.crew import ACTS
from prehowl.daemon.bench.gauge import drift, line_slope
from prehowl.daemon.bench.latency import measure_latency
from prehowl.daemon.bench.repeated import ROUND_S, Gap, RepeatedSource, one_round
from prehowl.daemon.bench.soak import GAP_S, GAPS, soak

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


class TestRepeatedSourceWithGaps(SourceConformance):
    """It keeps the promises too where it goes away now and then."""

    def make(self, tmp_path):
        """Return a second of time, of which 0.1 s are lost after each 0.3 s."""
        ramp = np.arange(9000, dtype=np.float32)[:, None] / 9000
        gap = Gap(every_s=0.3, lost_s=0.1)
        return RepeatedSource(ramp, 8000, 1.0, block_length=700, is_live=False, gap=gap)

    def test_what_is_lost_is_told_where_it_was(self, tmp_path):
        """Oracle: definition. Blocks and gaps together are the second, each sample in its place."""
        source, at, lost = self.make(tmp_path), 0, []
        while (block := source.read()) is not None:
            at += block.lost
            lost += [(at, block.lost)] if block.lost else []
            want = np.arange(at, at + len(block.samples)) % 9000 / np.float32(9000)
            np.testing.assert_allclose(block.samples[:, 0], want, rtol=1e-6)
            at += len(block.samples)
        assert at == 8000
        assert lost == [(3200, 800), (6400, 800)]
        assert source.health().lost_samples == 1600


def test_the_error_of_a_drift_grows_where_readings_hang_together():
    """Oracle: the scatter of the slopes of many runs of a first-order autoregression."""
    rng, x, r = np.random.default_rng(5), np.arange(400.0), 0.8
    found = []
    for _ in range(200):
        noise, y = rng.normal(0, 1, 400), np.zeros(400)
        for n in range(1, 400):
            y[n] = r * y[n - 1] + noise[n]
        found.append((*drift(x, y), line_slope(x, y)[1]))
    slopes, errors, plain = np.array(found).T
    assert errors.mean() == pytest.approx(slopes.std(), rel=0.15)
    assert plain.mean() < 0.5 * slopes.std()
    assert drift(x, 2 * x) == pytest.approx((2, 0), abs=1e-9)


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


def test_the_noise_falls_and_is_as_strong_as_before():
    """Oracle: closed form of a first-order low-pass: half the power at its corner, 6 dB less an
    octave above; its own power stays."""
    plain, fallen = (
        one_round(1, 48000, 2, howls=0, corner_hz=corner_hz)[:, 0] for corner_hz in (None, 1000.0)
    )
    assert np.std(fallen) == pytest.approx(np.std(plain), rel=0.03)
    hz, power = welch(fallen, 48000, nperseg=4800)
    low, corner, above = (power[np.abs(hz - f) < 100].mean() for f in (100, 1000, 4000))
    assert low / corner == pytest.approx(2, rel=0.1)
    assert 10 * np.log10(corner / above) == pytest.approx(10 * np.log10(17 / 2), abs=0.5)


@pytest.mark.skipif("not __import__('pathlib').Path('/proc/self/statm').exists()", reason="Linux")
def test_a_small_soak_loses_nothing():
    """Oracle: the same engine in other blocks; the logbook's own count; the open files."""
    told = []
    found = soak(1, 8000, 0.01, 3, told.append)
    assert found.events == found.events_of_scan == found.events_in_logbook
    assert found.howls == 10  # by hand: from 0 and 3.2 s on every 8 s; none begins in a gap
    assert found.events >= 2 * found.howls
    assert found.notes == found.notes_in_logbook >= ACTS - 1 + 2
    assert found.lost_s == pytest.approx(GAPS * GAP_S, abs=0.01)
    assert found.files_last <= found.files_first
    assert len(told) > 10


def test_every_event_leaves_as_a_datagram():
    """Oracle: an independent socket. How long it took depends on the machine; that it came, not."""
    found = measure_latency(1, 8000, 5.0, 3)
    assert found.events > 3
    assert found.missing == 0
    assert 0 < found.median_ms <= found.p99_ms <= found.worst_ms
