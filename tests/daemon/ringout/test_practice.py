"""The virtual stage to practise on, its truth, its optimiser, and what the noise floor tells."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from prehowl.daemon.ringout.best import best_cuts
from prehowl.daemon.ringout.gain import gain_between
from prehowl.daemon.ringout.loop_truth import LoopTruth
from prehowl.daemon.ringout.practice import (
    OPEN_AIR_TAIL_DB,
    RATE_HZ,
    ROOMS,
    Choice,
    diffuse_tail_db,
    set_up,
)
from prehowl.daemon.ringout.virtual_source import START_BELOW_DB, VirtualSource
from prehowl.daemon.stage.stage_truth import margin_db
from prehowl.detectors.bands import exact_centres_hz
from prehowl.detectors.noise_floor import NoiseFloor


def test_another_seed_is_another_stage_and_the_same_seed_the_same_samples() -> None:
    """Oracle: definition of repeatability."""
    blocks = [VirtualSource(set_up(Choice(seed))).read() for seed in (5, 5, 6)]
    assert all(block is not None for block in blocks)
    samples = [block.samples for block in blocks if block is not None]
    assert np.array_equal(samples[0], samples[1])
    assert not np.array_equal(samples[0], samples[2])


def test_a_choice_changes_nothing_else() -> None:
    """Oracle: definition: another room, the same distance and microphone."""
    drawn, chosen = set_up(Choice(5)), set_up(Choice(5, room="hall"))
    assert chosen.room == "hall"
    assert (drawn.distance_m, drawn.microphone) == (chosen.distance_m, chosen.microphone)


@pytest.mark.parametrize("seed", [3, 11])
def test_the_limit_agrees_with_the_stage_s_own_poles(seed: int) -> None:
    """Oracle: the roots of det(I - T(s)), another method on the same loop: within 0.15 dB."""
    source = VirtualSource(set_up(Choice(seed)))
    state = source._stage.loop_state()
    assert margin_db(state, RATE_HZ) == pytest.approx(START_BELOW_DB, abs=0.15)


def test_the_limit_of_a_pure_delay_is_its_gain() -> None:
    """Oracle: closed form: a delay of 10 ms with a gain of one half takes off at +6.02 dB; a cut of
    6 dB at 1 kHz lets 1 kHz itself have 6 dB more, but not the candidates far away.
    """
    path = np.zeros(2000)
    path[480] = 0.5
    truth = LoopTruth(path, 48000)
    assert truth.limit(np.zeros(31))[0] == pytest.approx(6.02, abs=0.05)
    over = truth.over(np.zeros(31), 7.0)
    assert {round(hertz) % 100 for hertz, _ in over} <= {0, 1, 99}


def test_the_diffuse_tail_is_that_of_the_critical_distance() -> None:
    """Oracle: textbook, from memory: 0.057 sqrt(Q V / T60); Q 5, 600 m3, 0.75 s: 3.6 m. The tail's
    energy, rate * T60 / 13.8 times its first square, is 1 / distance squared there.
    """
    critical_m = 0.057 * math.sqrt(5 * 600 / 0.75)
    first = 10 ** (diffuse_tail_db(600, 0.75) / 10)
    assert first * RATE_HZ * 0.75 / 13.8 == pytest.approx(1 / critical_m**2)
    assert diffuse_tail_db(ROOMS["open-air"].volume_m3, 0.3) == OPEN_AIR_TAIL_DB


def test_the_optimiser_is_never_below_its_start_and_keeps_its_rules() -> None:
    """Oracle: definition: as many faders, the cap, whole steps, no more in all; and one fader is
    found as by trying all of them.
    """
    path = set_up(Choice(3)).stage.loop_state().taps[0, 0]
    truth = LoopTruth(path, RATE_HZ)
    start = np.zeros(31)
    start[[14, 17, 20]] = 3.0
    cuts, limit = best_cuts(truth, 3, 6.0, 0.5, (start,), most_in_all_db=9.0)
    assert limit >= truth.limit(start)[0]
    assert np.count_nonzero(cuts) <= 3
    assert cuts.max() <= 6.0
    assert cuts.sum() <= 9.0
    assert np.array_equal(cuts * 2, np.round(cuts * 2))
    single = best_cuts(truth, 1, 6.0, 1.5)[1]
    tried = []
    for band in range(31):
        for cut in (0.0, 1.5, 3.0, 4.5, 6.0):
            setting = np.zeros(31)
            setting[band] = cut
            tried.append(truth.limit(setting)[0])
    assert single == pytest.approx(max(tried), abs=0.01)


@settings(max_examples=10, deadline=None)
@given(rise_db=st.floats(-6, 12), seed=st.integers(0, 1000))
def test_the_noise_floor_tells_a_rise_of_gain(rise_db: float, seed: int) -> None:
    """Oracle: closed form: noise times g is 20 log10 g louder; within the told uncertainty and half
    a dB, with words over a third of the time that only ever add.
    """
    rng = np.random.default_rng(seed)
    readings = []
    for gain in (1.0, 10 ** (rise_db / 20)):
        noise = 0.001 * gain * rng.standard_normal(3 * 48000)
        noise[20000:60000] += 0.05 * np.sin(np.arange(40000) * 0.06) * (gain > 0)
        floor = NoiseFloor(48000)
        floor.feed(noise.astype(np.float32))
        readings.append(floor.read_dbfs())
    won = gain_between(readings[0], readings[1], [0.0] * 31)  # type: ignore[arg-type]
    assert won is not None
    assert won.plus_minus_db is not None
    assert won.db == pytest.approx(rise_db, abs=won.plus_minus_db + 0.5)


def test_white_noise_rises_by_a_decibel_a_band() -> None:
    """Oracle: closed form: bands of a constant share of their centre, a tenth of a decade apart,
    hold 1 dB more of white noise each.
    """
    floor = NoiseFloor(48000, memory_s=8.0)
    floor.feed((0.1 * np.random.default_rng(1).standard_normal(8 * 48000)).astype(np.float32))
    levels = floor.read_dbfs()
    assert levels is not None
    wide = exact_centres_hz() > 900
    assert np.diff(levels[wide]) == pytest.approx(1.0, abs=0.5)


def test_too_little_noise_tells_nothing() -> None:
    """Oracle: definition: silence, or less than 0.8 s, is no reading of a rise."""
    floor = NoiseFloor(48000)
    floor.feed(np.zeros(9600, np.float32))
    assert floor.read_dbfs() is None
    floor.feed(np.zeros(96000, np.float32))
    silent = floor.read_dbfs()
    assert silent is not None
    assert gain_between(silent, silent, [0.0] * 31) is None  # type: ignore[arg-type]
    assert gain_between(None, silent, [0.0] * 31) is None  # type: ignore[arg-type]
