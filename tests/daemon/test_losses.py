"""Lost audio is found by comparing samples with time."""

import numpy as np
import pytest

from prehowl.daemon.sources.losses import LossMeter

RATE_HZ = 48000
BLOCK = 512


def told(lost_at: dict[int, int], *, blocks=1500, drift=0.0, jitter_s=0.0, seed=1) -> list[int]:
    """Return what the meter says, block by block, of a stream made to order.

    `lost_at`: block number -> samples that vanish just before it. `drift`: the device's clock
    against ours. `jitter_s`: blocks come late by up to this, at random.
    """
    rng = np.random.default_rng(seed)
    meter = LossMeter(RATE_HZ, BLOCK)
    gone, found = 0, []
    for n in range(blocks):
        gone += lost_at.get(n, 0)
        time_s = ((n + 1) * BLOCK + gone) / (RATE_HZ * (1 + drift)) + rng.random() * jitter_s
        found.append(meter.update((n + 1) * BLOCK, round(time_s * 1e9)))
    return found


def test_a_sound_stream_has_no_loss():
    """Oracle: construction. Nothing is lost, nothing is told."""
    assert sum(told({})) == 0


@pytest.mark.parametrize("drift", [-300e-6, 300e-6])
def test_clocks_that_drift_lose_nothing(drift):
    """Oracle: construction. 300 ppm, worse than crystals are: 12 min without a loss."""
    assert sum(told({}, blocks=70_000, drift=drift)) == 0


def test_late_blocks_are_not_lost_ones():
    """Oracle: construction. Every block up to 30 ms late, as on a busy machine: no loss."""
    assert sum(told({}, blocks=10_000, jitter_s=0.030)) == 0


@pytest.mark.parametrize("lost", [256, 512, 4800, 96_000])
def test_a_loss_is_told_once_and_in_full(lost):
    """Oracle: construction. The figure is right within 2 %, or 16 samples of drift allowance."""
    found = told({700: lost})
    assert sum(found) == pytest.approx(lost, rel=0.02, abs=16)
    assert sum(value > 0 for value in found) == 1
    when = next(n for n, value in enumerate(found) if value)
    assert 700 <= when <= 700 + 2.1 * RATE_HZ / BLOCK + lost / BLOCK


def test_steady_loss_adds_up():
    """Oracle: construction. A third of all blocks missing, without a word from the device."""
    lost_at = {n: BLOCK for n in range(0, 3000, 2)}
    assert sum(told(lost_at, blocks=3000, jitter_s=0.002)) == pytest.approx(1500 * BLOCK, rel=0.1)
