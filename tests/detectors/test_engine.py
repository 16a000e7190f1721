"""The engine as a stream: chopping, shifts, copies, bad input, ends and the view for screens."""

import copy
import functools
import itertools
import math

import numpy as np
import pytest
from howl_runs import chopped
from hypothesis import example, given, settings
from hypothesis import strategies as st
from signals import Rise, channels, pink_noise, sine

from prehowl.detectors.engine import ChannelSetup, Engine
from prehowl.detectors.rings import RingChange, RingState

RATE_HZ = 48_000
TWO = [ChannelSetup(), ChannelSetup()]


@functools.cache
def scene() -> np.ndarray:
    """Return 1.3 s with a ring of 110 dB/s at 2.3 kHz on the second of two channels."""
    rise = Rise(2311.0, 110.0, starts_s=0.1, top_dbfs=-20, held_s=0.15)
    noise = [pink_noise(1.3, RATE_HZ, level_dbfs=-40, seed=seed) for seed in (1, 2)]
    return channels(noise[0], noise[1] + rise.samples(1.3, RATE_HZ))


def events(samples: np.ndarray, sizes=(100_000,)) -> list[RingChange]:
    """Return all changes of a stream fed in blocks of the given sizes, in turn."""
    engine = Engine(RATE_HZ, TWO)
    changes = [change for block in chopped(samples, sizes) for change in engine.feed(block)]
    return [*changes, *engine.finish()]


@functools.cache
def whole() -> list[RingChange]:
    """Return the events of the scene in one block."""
    return events(scene())


def test_the_scene_has_a_ring():
    """Oracle: truth; guards the comparisons below against comparing nothing with nothing."""
    assert [c.state for c in whole()] == list(RingState)
    assert {c.ch for c in whole()} == {1}


# any chopping, silence before, copies


@settings(max_examples=12, deadline=None)
@given(st.lists(st.integers(0, 9000), min_size=1, max_size=8).filter(lambda s: sum(s) > 400))
@example([512])
@example([1, 8191])
@example([0, 997])
def test_any_chopping_gives_the_same_changes(sizes):
    """Oracle: invariance, to the last bit: every field of every change."""
    assert events(scene(), sizes) == whole()


def test_one_sample_at_a_time_is_no_exception():
    """Oracle: invariance; the first 0.1 s sample by sample, the rest at once."""
    engine = Engine(RATE_HZ, TWO)
    changes = []
    for at in range(4800):
        changes += engine.feed(scene()[at : at + 1])
    changes += engine.feed(scene()[4800:])
    assert [*changes, *engine.finish()] == whole()


PERIOD = 64 * 512
"""All hops, slow memories and looks at the long-term spectrum repeat after 64 quanta, 683 ms."""


@functools.cache
def after_silence(periods: int) -> list[RingChange]:
    """Return the events of the scene behind digital silence."""
    return events(np.concatenate([np.zeros((periods * PERIOD, 2), np.float32), scene()]))


@pytest.mark.parametrize("periods", [2, 4])
def test_more_silence_first_shifts_all_by_its_length(periods):
    """Oracle: invariance: silence more moves events by its length.

    Against a period, 0.7 s: a channel that was silent so long is known to be silent, while of one
    that begins with sound the programme's level is not known, which is other evidence. How long it
    was silent goes into the long-term mean, so an alarm may come some frames earlier or later.
    """
    late, soon = after_silence(periods), after_silence(1)
    assert [(c.id, c.ch, c.state) for c in soon] == [(c.id, c.ch, c.state) for c in whole()]
    assert [(c.id, c.ch, c.state) for c in late] == [(c.id, c.ch, c.state) for c in soon]
    for mine, theirs in zip(late, soon, strict=True):
        shift = (periods - 1) * PERIOD
        assert mine.sample == pytest.approx(theirs.sample + shift, abs=0.1 * RATE_HZ)
        assert mine.onset_sample == pytest.approx(theirs.onset_sample + shift, abs=0.15 * RATE_HZ)
        assert mine.frequency_hz == pytest.approx(theirs.frequency_hz, rel=1e-3)


@pytest.mark.parametrize("samples", [1, 300, 512, 777, 2 * 512])
def test_any_other_shift_moves_events_by_little(samples):
    """Oracle: truth; where the frames fall on the sound may change a time by some frames."""
    late = events(np.concatenate([np.zeros((samples, 2), np.float32), scene()]))
    assert [c.state for c in late] == [c.state for c in whole()]
    for mine, theirs in zip(late, whole(), strict=True):
        assert abs(mine.sample - samples - theirs.sample) <= 0.08 * RATE_HZ
        assert abs(1200 * math.log2(mine.frequency_hz / theirs.frequency_hz)) < 3


@pytest.mark.parametrize("at", [20_000, 33_333])
def test_a_copy_goes_on_like_the_original_and_does_not_disturb_it(at):
    """Oracle: invariance; a kept state continued, after another copy heard other sound."""
    first = Engine(RATE_HZ, TWO)
    before = first.feed(scene()[:at])
    kept, other = copy.deepcopy(first), copy.deepcopy(first)
    other.feed(scene()[::-1])
    other.finish()
    assert [*before, *kept.feed(scene()[at:]), *kept.finish()] == whole()
    assert [*before, *first.feed(scene()[at:]), *first.finish()] == whole()


def test_two_runs_are_equal():
    """Oracle: invariance; nothing random, nothing shared between engines."""
    assert events(scene()) == whole()


# ends


def test_finish_clears_what_still_rings():
    """Oracle: definition; the stream ends in the middle of the ring: cleared at its last tick."""
    ringing = next(c for c in whole() if c.state is RingState.RINGING)
    engine = Engine(RATE_HZ, TWO)
    changes = engine.feed(scene()[: ringing.sample + 100])
    assert changes[-1].state is not RingState.CLEARED
    last = engine.finish()
    assert [(c.id, c.state) for c in last] == [(ringing.id, RingState.CLEARED)]
    assert last[0].sample == ringing.sample
    assert engine.finish() == []


def test_changes_are_raised_by_the_block_that_completes_them():
    """Oracle: causality: no change before its sample has been fed, none later than its block."""
    engine, fed = Engine(RATE_HZ, TWO), 0
    for block in chopped(scene(), (1000,)):
        for change in engine.feed(block):
            assert fed < change.sample <= fed + len(block)
        fed += len(block)


# bad input


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_samples_that_are_no_numbers_are_refused_and_do_no_harm(bad):
    """Oracle: the documented error; the engine goes on as if the block had not been."""
    engine = Engine(RATE_HZ, TWO)
    block = np.zeros((700, 2), np.float32)
    block[699, 1] = bad
    with pytest.raises(ValueError, match="NaN or Inf; replace"):
        engine.feed(block)
    assert [*engine.feed(scene()), *engine.finish()] == whole()


@pytest.mark.parametrize("shape", [(512,), (512, 1), (512, 3), (2, 512), (1, 512, 2)])
def test_blocks_of_another_shape_are_refused(shape):
    """Oracle: the documented error, with both shapes in it."""
    with pytest.raises(ValueError, match=r"shape \(.*\), the engine wants \(samples, 2\)"):
        Engine(RATE_HZ, TWO).feed(np.zeros(shape, np.float32))


@pytest.mark.parametrize("rate_hz", [0, 4_000, 384_000])
def test_a_rate_out_of_range_is_refused(rate_hz):
    """Oracle: the documented error."""
    with pytest.raises(ValueError, match=f"sample rate {rate_hz} Hz is outside"):
        Engine(rate_hz, TWO)


def test_no_channel_is_refused():
    """Oracle: the documented error."""
    with pytest.raises(ValueError, match="needs at least one"):
        Engine(RATE_HZ, [])


@pytest.mark.parametrize("dtype", [np.float64, np.float32])
def test_lists_and_doubles_are_welcome(dtype):
    """Oracle: invariance; float32 samples held in doubles are the same samples."""
    assert events(scene().astype(dtype)) == whole()
    assert Engine(RATE_HZ, TWO).feed([[0.0, 0.0]] * 3) == []
    assert Engine(RATE_HZ, TWO).feed(np.zeros((0, 2))) == []


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 16_000, 22_050, 32_000, 192_000])
def test_unusual_rates_run(rate_hz):
    """Oracle: property: a quarter of a second of noise gives no change and finite levels."""
    rng = np.random.default_rng(1)
    engine = Engine(rate_hz, TWO)
    noise = 0.1 * rng.standard_normal((rate_hz // 4, 2))
    assert engine.feed(noise) == []
    assert np.isfinite(engine.view().level_dbfs).all()


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 2**32 - 1), st.sampled_from([1e-38, 1e-6, 1.0, 1e4, 1e9]))
def test_any_finite_sound_gives_finite_figures(seed, scale):
    """Oracle: property; bursts, clicks and steps from the smallest to far over full scale."""
    rng = np.random.default_rng(seed)
    steps = np.repeat(rng.choice([-1, 0, 0, 1], (16, 2)), rng.integers(1, 1500, 16), axis=0)
    engine = Engine(RATE_HZ, TWO)
    changes = [*engine.feed(scale * steps * rng.uniform(0.5, 1, steps.shape)), *engine.finish()]
    for change in changes:
        numbers = [change.frequency_hz, change.level_dbfs, change.growth_db_per_s]
        numbers += [*change.evidence.values()]
        assert np.isfinite([number for number in numbers if number is not None]).all()
    view = engine.view()
    for figures in (view.level_dbfs, view.peak_dbfs, view.suspicion):
        assert np.isfinite(figures).all()


# the view for screens


def test_levels_are_those_of_the_channels():
    """Oracle: the sound that was made: a sine of -18 dBFS reads -18 in both, silence -140."""
    samples = channels(sine(997, 1.0, RATE_HZ, level_dbfs=-18), 0 * sine(997, 1.0, RATE_HZ))
    engine = Engine(RATE_HZ, TWO)
    engine.feed(samples)
    view = engine.view()
    assert view.level_dbfs.shape == view.peak_dbfs.shape == (2,)
    assert view.level_dbfs[0] == pytest.approx(-18, abs=0.1)
    assert view.peak_dbfs[0] == pytest.approx(-18, abs=0.1)
    np.testing.assert_allclose([view.level_dbfs[1], view.peak_dbfs[1]], -140, atol=1e-3)


def test_level_follows_within_its_memory():
    """Oracle: closed form: a first-order mean of 0.1 s falls by 10 log10(e) = 4.34 dB in 0.1 s."""
    engine = Engine(RATE_HZ, TWO)
    tone = sine(997, 1.0, RATE_HZ, level_dbfs=-18)
    engine.feed(channels(tone, tone)[: 90 * 512])
    engine.feed(np.zeros((9 * 512, 2), np.float32))
    fallen = 10 * math.log10(math.e) * 9 * 512 / RATE_HZ / 0.1
    assert engine.view().level_dbfs[0] == pytest.approx(-18 - fallen, abs=0.1)


def test_suspicion_is_in_the_band_and_channel_of_the_ring():
    """Oracle: truth: 2311 Hz is band 21 of 0..30 (2500 Hz: 2238.7 to 2818.4); 1 while it alarms."""
    ringing = next(c for c in whole() if c.state is RingState.RINGING)
    engine = Engine(RATE_HZ, TWO)
    engine.feed(scene()[: ringing.sample])
    suspicion = engine.view().suspicion
    assert suspicion.shape == (2, 31)
    assert suspicion[1, 21] == 1
    assert np.unravel_index(suspicion.argmax(), suspicion.shape) == (1, 21)
    assert ((suspicion >= 0) & (suspicion <= 1)).all()
    assert suspicion[0].max() < 0.55


def test_looking_changes_nothing():
    """Oracle: invariance; a screen may ask as often as it likes, and keep what it got."""
    engine, seen, changes = Engine(RATE_HZ, TWO), [], []
    for block in chopped(scene(), (2048,)):
        changes += engine.feed(block)
        view = engine.view()
        seen.append((view, copy.deepcopy(view)))
        view.suspicion[:] = 0.25  # a careless reader
    assert [*changes, *engine.finish()] == whole()
    for kept, then in seen:
        np.testing.assert_array_equal(kept.level_dbfs, then.level_dbfs)


def test_evidence_has_a_figure_of_every_howl_test():
    """Oracle: definition; the names are those of the list, in its order."""
    from prehowl.detectors import HOWL_TESTS

    for change in whole():
        assert list(change.evidence) == list(HOWL_TESTS)
    for one, other in itertools.pairwise(whole()):
        assert one.sample <= other.sample
