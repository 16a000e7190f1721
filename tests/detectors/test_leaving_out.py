"""A part of the analysis is left out and taken up again in the middle of a stream."""

import numpy as np
import pytest
from howl_runs import chopped
from signals import Rise, channels, pink_noise, sine

from prehowl.detectors.background import Background
from prehowl.detectors.designs import DESIGNS, SLOW_STEP
from prehowl.detectors.engine import ChannelSetup, Engine
from prehowl.detectors.resolution import Resolution
from prehowl.detectors.rings import RingChange, RingState
from prehowl.detectors.spectrum import Spectra
from prehowl.detectors.tracks import LOOKS

RATE_HZ = 48_000
PLAIN = [ChannelSetup(), ChannelSetup()]
WITH_REFERENCE = [ChannelSetup(), ChannelSetup(is_reference=True)]


def fed(engine: Engine, samples: np.ndarray) -> list[RingChange]:
    """Return the changes that the samples cause, in pieces of 10 ms as live."""
    return [change for piece in chopped(samples, [480]) for change in engine.feed(piece)]


def programme(seconds: float, seed: int = 1) -> np.ndarray:
    """Return a steady programme: noise with steady tones, which a fresh memory could take for
    tones that have just risen out of nothing."""
    tones = sum(sine(hz, seconds, RATE_HZ, level_dbfs=-30) for hz in (180.0, 1200.0, 5300.0))
    return np.asarray(pink_noise(seconds, RATE_HZ, level_dbfs=-35, seed=seed) + tones, np.float32)


def names(engine: Engine) -> list[str]:
    """Return the resolutions that are at work."""
    return [resolution.design.name for resolution in engine.resolutions]


def test_what_is_named_is_left_out_and_nothing_else():
    """Oracle: definition. The order of the resolutions stays."""
    engine = Engine(RATE_HZ, PLAIN)
    every = names(engine)
    kept = {resolution.design.name: resolution for resolution in engine.resolutions}
    engine.leave_out(["brief"])
    assert names(engine) == ["long", "main", "short"]
    engine.leave_out(["brief", "short"])
    engine.leave_out(["short"])
    assert names(engine) == ["long", "main", "brief"]
    engine.leave_out()
    assert names(engine) == every
    again = {resolution.design.name: resolution for resolution in engine.resolutions}
    assert again["main"] is kept["main"]
    assert again["long"] is kept["long"]
    assert again["brief"] is not kept["brief"]


def test_nothing_left_is_refused():
    """Oracle: definition. The engine stays as it was."""
    engine = Engine(RATE_HZ, PLAIN)
    with pytest.raises(ValueError, match="no resolution is left"):
        engine.leave_out(["long", "main", "brief", "short"])
    assert len(engine.resolutions) == 4


@pytest.mark.parametrize("left_out", [["brief"], ["short"], ["brief", "short"], ["long"]])
def test_coming_back_raises_no_alarm(left_out):
    """Oracle: truth: the programme is steady throughout; a held note may linger as a suspect.

    Without, away for 2 s, back for 5 s.
    """
    engine = Engine(RATE_HZ, [ChannelSetup()])
    sound = programme(8.5)[:, np.newaxis]
    first, away, back = np.split(sound, [int(1.5 * RATE_HZ), int(3.5 * RATE_HZ)])
    told = fed(engine, first)
    engine.leave_out(left_out)
    told += fed(engine, away)
    engine.leave_out()
    told += fed(engine, back)
    assert {change.state for change in told} <= {RingState.SUSPECT, RingState.CLEARED}


def test_a_ring_outlives_the_change_under_one_id_and_is_cleared_when_it_stops():
    """Oracle: truth: one ring, held over both changes; it ends 0.8 s before the end."""
    rise = Rise(2311.0, 110.0, starts_s=0.1, top_dbfs=-20, held_s=2.0)
    sound = channels(rise.samples(3.5, RATE_HZ) + pink_noise(3.5, RATE_HZ, level_dbfs=-45, seed=3))
    engine = Engine(RATE_HZ, [ChannelSetup()])
    told = fed(engine, sound[: int(1.2 * RATE_HZ)])
    assert told[-1].state in (RingState.RINGING, RingState.HOWLING)
    engine.leave_out(["brief", "short", "long"])
    told += fed(engine, sound[int(1.2 * RATE_HZ) : int(1.8 * RATE_HZ)])
    engine.leave_out()
    told += fed(engine, sound[int(1.8 * RATE_HZ) :])
    assert {change.id for change in told} == {1}
    assert told[-1].state is RingState.CLEARED
    assert told[-1].sample > 2.0 * RATE_HZ


def test_a_ring_is_found_by_what_is_left():
    """Oracle: truth: a ring of 60 dB/s; the main frames alone find it."""
    rise = Rise(2311.0, 60.0, starts_s=0.3, top_dbfs=-15, held_s=0.4)
    sound = channels(rise.samples(2.5, RATE_HZ) + pink_noise(2.5, RATE_HZ, level_dbfs=-45, seed=4))
    engine = Engine(RATE_HZ, [ChannelSetup()])
    engine.leave_out(["long", "brief", "short"])
    assert RingState.RINGING in {change.state for change in fed(engine, sound)}


def test_a_reference_that_is_left_out_vouches_for_nothing_and_does_again_later():
    """Oracle: definition. One swell in both channels: music while the reference is heard."""
    swell = Rise(1500.0, 60.0, starts_s=1.0, top_dbfs=-15, held_s=0.4).samples(3.4, RATE_HZ)
    noise = [pink_noise(3.4, RATE_HZ, level_dbfs=-50, seed=seed) for seed in (5, 6)]
    sound = channels(swell + noise[0], 0.5 * swell + noise[1])
    engine = Engine(RATE_HZ, WITH_REFERENCE)
    assert fed(engine, sound) == []
    engine.leave_out(references=True)
    assert {change.ch for change in fed(engine, sound)} == {0}
    engine.leave_out()
    assert fed(engine, sound) == []


@pytest.mark.parametrize("pattern", ["RMM", "MRRM", "MMR", "RMRMR", "R"])
def test_whatever_the_order_of_channels_the_microphones_are_heard(pattern):
    """Oracle: truth, invariance. A ring on every channel at its own pitch: with the references
    left out each microphone tells of its own, as it does when it is alone."""
    setups = [ChannelSetup(is_reference=kind == "R") for kind in pattern]
    rings = [
        Rise(900.0 + 310 * n, 80.0, starts_s=0.1, top_dbfs=-15, held_s=0.3).samples(1.7, RATE_HZ)
        + pink_noise(1.7, RATE_HZ, level_dbfs=-50, seed=20 + n)
        for n in range(len(pattern))
    ]
    engine = Engine(RATE_HZ, setups)
    engine.leave_out(references=True)
    told = fed(engine, channels(*rings))
    for ch, kind in enumerate(pattern):
        alone = fed(Engine(RATE_HZ, [ChannelSetup()]), channels(rings[ch])) if kind == "M" else []
        mine = [(c.state, c.sample, c.frequency_hz) for c in told if c.ch == ch]
        assert mine == [(c.state, c.sample, c.frequency_hz) for c in alone]


@pytest.mark.parametrize("design", DESIGNS, ids=[design.name for design in DESIGNS])
def test_one_that_comes_back_judges_when_it_knows_the_past_and_not_before(design):
    """Oracle: definition: nothing is judged until every frame of its memories is heard."""

    def first_judged(ticks_before: int | None) -> int:
        made = Resolution(
            design, 1, RATE_HZ, 512, np.zeros(1, bool), Background(), ticks_before=ticks_before
        )
        power = np.zeros((made.frames_per_tick, 1, made.memory.bins), np.float32)
        silence = Spectra(power, power.sum(axis=-1))
        made.advance(silence)
        while not made.is_judged:
            made.advance(silence)
        return made.memory.heard

    memory = Resolution(design, 1, RATE_HZ, 512, np.zeros(1, bool), Background()).memory
    longest = SLOW_STEP * ((LOOKS - 1) * max(design.slow_steps) + 1) if design.slow_steps else 0
    assert first_judged(None) <= 4
    assert first_judged(0) > max(memory.frames, longest)


def test_one_that_comes_back_at_an_odd_tick_keeps_step_with_the_others():
    """Oracle: definition: brief and short are judged on the ticks on which main ends a frame."""
    engine = Engine(RATE_HZ, PLAIN)
    sound = pink_noise(4.0, RATE_HZ, level_dbfs=-35, seed=1)
    samples = np.stack([sound, sound], axis=1).astype(np.float32)
    engine.feed(samples[: 3 * 512])
    engine.leave_out(["long", "brief", "short"])
    engine.feed(samples[3 * 512 : 8 * 512])
    engine.leave_out()
    judged: dict[str, set[int]] = {}
    for tick, resolution, spectra in engine.spectra(samples[8 * 512 :]):
        resolution.advance(spectra)
        if resolution.is_judged:
            judged.setdefault(resolution.design.name, set()).add(tick % 4)
    assert judged == {"main": {0, 2}, "brief": {0, 2}, "short": {0, 2}, "long": {0}}


def test_other_setups_are_taken_on_the_way_and_what_rings_goes_on():
    """Oracle: definition: the same rings and times; the cap of the new setup from then on."""
    rise = Rise(1000.0, growth_db_per_s=60, held_s=0.5)
    sound = channels(pink_noise(3.0, RATE_HZ, level_dbfs=-50, seed=1) + rise.samples(3.0, RATE_HZ))
    first, second = Engine(RATE_HZ, [ChannelSetup()]), Engine(RATE_HZ, [ChannelSetup()])
    plain = fed(first, sound)
    cut = plain[0].sample + 1
    told = fed(second, sound[:cut])
    second.set_up([ChannelSetup(cut_cap_db=1.0)])
    told += fed(second, sound[cut:])
    assert [(c.id, c.state, c.sample) for c in told] == [(c.id, c.state, c.sample) for c in plain]
    assert any(change.cut_db == 1.0 for change in told if change.sample > cut)
    assert all((change.cut_db or 9.0) > 1.0 for change in plain if change.cut_db is not None)


def test_other_references_want_another_engine():
    """Oracle: definition."""
    engine = Engine(RATE_HZ, PLAIN)
    with pytest.raises(ValueError, match="make another engine"):
        engine.set_up(WITH_REFERENCE)
    with pytest.raises(ValueError, match="make another engine"):
        engine.set_up(PLAIN[:1])
