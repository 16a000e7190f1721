"""The cost measurement: its floor does what the engine's frames ask for."""

import numpy as np
import pytest
import scipy.fft

from prehowl.daemon.bench import load
from prehowl.daemon.shedding_order import FRAMES
from prehowl.detectors.engine import ChannelSetup, Engine

RATE = 48000


def test_the_floor_transforms_every_frame_once(monkeypatch):
    """Oracle: counting: seconds * rate / hop frames of each length, whatever the slices."""
    engine = Engine(RATE, [ChannelSetup()] * 2)
    floor = load.Floor(engine, 2)
    seen = []
    real = scipy.fft.rfft
    monkeypatch.setattr(
        load.scipy.fft, "rfft", lambda x, axis: seen.append(x.shape) or real(x, axis=axis)
    )
    sound = np.random.default_rng(1).normal(size=(RATE, 2)).astype(np.float32)
    for part in (sound[:11111], sound[11111:30000], sound[30000:]):
        floor.cpu_s(part)
    for resolution in engine.resolutions:
        count = seen.count((2, resolution.frame_length))
        assert count == RATE // resolution.hop_length


def test_figures_hang_together():
    """Oracle: definition: ratio = share / floor share, above zero, sizes those of the engine."""
    found = load.measure(channels=2, rate_hz=RATE, seconds=1.0, seed=1)
    assert found.floor_share > 0
    assert found.ratio == pytest.approx(found.realtime_share / found.floor_share, rel=0.1)
    assert found.slowest_share >= found.realtime_share
    engine = Engine(RATE, [ChannelSetup()])
    assert found.frame_lengths == tuple(r.frame_length for r in engine.resolutions)


def test_each_step_of_an_overloaded_watch_costs_less():
    """Oracle: definition: the order of the watch; with less to do less is done. What each saves
    is measured, but none may cost more than all (a busy machine is granted a tenth)."""
    found = load.measure(channels=4, rate_hz=RATE, seconds=1.0, seed=1, references=1)
    steps = [step.without for step in found.steps]
    assert steps == [step.what for _, step in FRAMES] + ["reference channels"]
    assert found.steps[-1].realtime_share < 0.8 * found.realtime_share
    assert all(step.realtime_share < 1.1 * found.realtime_share for step in found.steps)


def test_channels_of_the_programme_differ():
    """Oracle: definition: no channel repeats another; all sound."""
    sound = load.programme(4, RATE, 2.0, 1)
    assert sound.shape == (2 * RATE, 4)
    assert (sound.std(axis=0) > 1e-4).all()
    assert np.abs(np.corrcoef(sound.T) - np.eye(4)).max() < 0.9
