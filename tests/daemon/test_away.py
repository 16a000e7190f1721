"""A device that is away: rings end meanwhile, and nothing else is as if they had not."""

from collections.abc import Sequence

import fakes
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from prehowl.daemon.loop import LoopResult, run_loop
from prehowl.daemon.sources.base import Block, SourceHealth
from prehowl.daemon.stream_time import BEHIND_S, SILENCE_S, StreamTime
from prehowl.detectors.engine import ChannelSetup, Engine
from prehowl.detectors.ring_states import LINGERS_S
from prehowl.detectors.rings import RingState

RATE_HZ = 16000
NOTHING = Block(np.zeros((0, 2), np.float32))
LOOK_S = 0.1
"""What a read without news takes."""


class Leaving(fakes.FakeSource):
    """A source that waits for its device as long as its blocks are empty; holds the clock."""

    now_s = 100.0

    def read(self) -> Block | None:
        """Return the next block, after the time that it takes to come."""
        block = super().read()
        if block is not None:
            self.state = "running" if len(block.samples) else "waiting"
            self.now_s += len(block.samples) / RATE_HZ or LOOK_S
        return block

    def health(self) -> SourceHealth:
        """Return the state."""
        return SourceHealth(self.state)


def run(
    blocks: Sequence[Block], sink: fakes.FakeSink, *, clears: bool = True, names: str = "ab"
) -> LoopResult:
    """Run the real engine over blocks as a watch does."""
    source = Leaving(blocks, channels=2, rate_hz=RATE_HZ)
    return run_loop(
        source,
        Engine(RATE_HZ, [ChannelSetup()] * 2),
        [sink],
        names=names,
        clock=lambda: source.now_s,
        clears_while_away=clears,
    )


def howl() -> np.ndarray:
    """Return 0.6 s of noise at 16 kHz on two channels, and a line that rises on the second."""
    n = 9600
    t = np.arange(n) / RATE_HZ
    samples = np.random.default_rng(2).normal(0, 0.001, (n, 2))
    rise = 1e-3 * 10 ** (100 * (t - 0.2) / 20)
    samples[:, 1] += np.where(t > 0.2, rise, 0) * np.sin(2 * np.pi * 1000 * t)
    return samples.astype(np.float32)


SOUND = howl()


def absence(reads: int) -> list[Block]:
    """Return howl, so many reads without a device, and howl again after the time they took."""
    lost = round(reads * LOOK_S * RATE_HZ)
    return [Block(SOUND), *[NOTHING] * reads, Block(SOUND, lost=lost)]


def test_what_rang_is_over_while_the_device_is_away():
    """Oracle: definition. Alive when the device goes; from three seconds later on no ring is left,
    and the level is that of silence; the time of the clearing lies in the gap."""
    sink = fakes.FakeSink()
    run([*absence(40)[:-1]], sink)
    alarmed = [event for event in sink.events if event.is_alarm]
    assert alarmed
    away = [shot for shot in sink.snapshots if shot.health.source.state == "waiting"]
    assert away[0].rings
    assert not any(shot.rings for shot in away[30:])
    cleared = [event.time_s for event in sink.events if event.state is RingState.CLEARED]
    assert cleared
    assert all(0.6 < at_s < 0.6 + SILENCE_S for at_s in cleared)


@pytest.mark.parametrize("reads", [3, 10, 40])
def test_a_watch_that_ends_while_the_device_is_away_counts_no_silence_as_sound(reads):
    """Oracle: definition: what was watched and was not lost is what was heard."""
    result = run(absence(reads)[:-1], fakes.FakeSink())
    assert result.samples - result.lost_samples == len(SOUND)


@pytest.mark.parametrize("rate_hz", [8000, 48000, 192000])
def test_the_silence_outlasts_every_ring(rate_hz):
    """Oracle: the longest that a ring may go unseen (a suspect that lingers), after a frame that
    still holds sound. What is left then would be left until the device is back."""
    setup = Engine(rate_hz, [ChannelSetup()])
    longest_s = max(resolution.frame_s for resolution in setup.resolutions)
    assert LINGERS_S + longest_s < SILENCE_S


def test_who_asks_for_it_hears_of_the_end_only_when_the_device_is_back():
    """Oracle: definition: a ring-out must not count a lost cable as what a hand has won."""
    sink = fakes.FakeSink()
    run([*absence(40)[:-1]], sink, clears=False)
    away = [shot for shot in sink.snapshots if shot.health.source.state == "waiting"]
    assert all(shot.rings for shot in away)


@settings(max_examples=5, deadline=None)
@given(st.integers(1, 40))
def test_events_are_the_same_as_if_the_gap_had_been_told_at_once(reads):
    """Oracle: invariance, times and ids included, against a source that only knows the gap."""
    together, apart = fakes.FakeSink(), fakes.FakeSink()
    blocks = absence(reads)
    done = run(blocks, apart)
    assert done == run([blocks[0], blocks[-1]], together)
    assert [event.record() for event in apart.events] == [
        event.record() for event in together.events
    ]
    assert done.lost_samples == blocks[-1].lost
    times_s = [shot.time_s for shot in apart.snapshots]
    assert times_s == sorted(times_s)


@given(
    st.lists(st.floats(0.0, 20.0), max_size=5),
    st.floats(0.0, 30.0),
    st.sampled_from([RATE_HZ, 44100]),
)
def test_time_is_that_of_the_gap_whatever_was_fed_early(looks_s, gap_s, rate_hz):
    """Oracle: by hand: samples before, those of the gap, those after. At another rate, too.

    Only a gap shorter than what was fed for it is longer by the difference, and the next one is
    shorter by as much."""
    clock = StreamTime(RATE_HZ)
    clock.fed = RATE_HZ
    for away_s in sorted(looks_s):
        clock.fed += clock.lose_early(away_s)
    early_s = (clock.fed - RATE_HZ) / RATE_HZ
    assert early_s == pytest.approx(
        min(SILENCE_S, max(0.0, max([0.0, *looks_s]) - BEHIND_S)), abs=1e-4
    )
    if rate_hz != RATE_HZ:
        clock = clock.after(rate_hz)
    for gone_s, wanted_s in ((gap_s, max(gap_s, early_s)), (10.0, gap_s + 10.0)):
        clock.fed += clock.lose(round(gone_s * rate_hz))
        clock.fed += 1  # the first sample of what follows
        assert clock.time_s == pytest.approx(1.0 + wanted_s, abs=3e-4)
