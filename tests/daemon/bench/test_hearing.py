"""What the bench tells the engine of rings before: near the truth, and anywhere without one."""

from types import SimpleNamespace

import numpy as np

from prehowl.daemon.bench.hearing import (
    AWAY_CENTS,
    HIGHEST_HZ,
    LOWEST_HZ,
    PLACES,
    _anywhere,
    _near_rings,
)


def test_a_case_is_told_near_each_of_its_rings_and_not_at_it():
    """Oracle: definition, over many seeds; the same seed tells the same."""
    true_hz = (440.0, 3100.0)
    rings = tuple(SimpleNamespace(frequency_hz=hz) for hz in true_hz)
    cases = [SimpleNamespace(spec=SimpleNamespace(seed=seed), rings=rings) for seed in range(200)]
    told = np.array([_near_rings(case) for case in cases])
    off = np.abs(1200 * np.log2(told / true_hz))
    assert off.shape == (200, 2)
    assert AWAY_CENTS / 2 < off.max() <= AWAY_CENTS
    assert off.min() > 0
    assert _near_rings(cases[3]) == tuple(told[3])


def test_howl_free_sound_is_told_places_all_over():
    """Oracle: definition."""
    told = np.array([_anywhere(seed) for seed in range(200)])
    assert told.shape == (200, PLACES)
    assert LOWEST_HZ <= told.min() < 1.1 * LOWEST_HZ
    assert 0.9 * HIGHEST_HZ < told.max() <= HIGHEST_HZ
