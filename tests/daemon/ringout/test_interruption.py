"""An interruption: the program killed, left or deaf for a while. It counts no cut by itself."""

from pathlib import Path

import numpy as np
import pytest
from fakes import FakeSource, chopped

from prehowl.daemon.events import RingEvent
from prehowl.daemon.loop import run_loop
from prehowl.daemon.ringout import acts
from prehowl.daemon.ringout.conductor import Conductor
from prehowl.daemon.ringout.floor_tap import GAP_S, FloorTap
from prehowl.daemon.ringout.journal import Journal, Unwritten, recall
from prehowl.daemon.ringout.session import begin, fold, step
from prehowl.daemon.ringout.state import FLAT, Phase, Plan
from prehowl.daemon.sinks.base import Health, Snapshot
from prehowl.daemon.sources.base import Block
from prehowl.detectors.engine import ChannelSetup, Engine
from prehowl.detectors.rings import RingState

PLAN = Plan(mix="Mix 1", monitor="Wedge 12", microphone="Vocal")
HEARD = acts.RingHeard(1.0, 1, 2513.25, -20.5, 40.0, -0.3)
BEFORE = {
    "it rings": (HEARD,),
    "it has just stopped": (HEARD, acts.RingGone(1.5, 1)),
    "pulled, not yet gone": (HEARD, acts.Made(2.0)),
}


def event(ring_id: int, state: RingState, time_s: float, hertz: float) -> RingEvent:
    return RingEvent(ring_id, 1, "Mix", state, time_s, time_s, hertz, 1000, -20.0, 30.0, -0.2, 3.0)


def test_rings_of_before_an_interruption_are_over(tmp_path: Path) -> None:
    """Oracle: the engine starts anew; a ring that sounded at the crash is not waited for."""
    journal = Journal.begin(tmp_path / "j", PLAN, {})
    state = fold(PLAN, (HEARD,))
    conductor = Conductor(state, journal)
    conductor.start()
    assert conductor.state.heard == ()
    assert conductor.state.ring is not None
    assert not conductor.state.ring.is_sounding
    assert conductor.state.pulls == state.pulls
    journal.close()
    assert fold(PLAN, (HEARD, *recall(tmp_path / "j").entries)) == conductor.state


def passing(conductor: Conductor, from_s: float, to_s: float) -> None:
    """Let time go by with a snapshot every tenth of a second."""
    level = np.array([-50.0], np.float32)
    for tenth in range(round(from_s * 10), round(to_s * 10) + 1):
        bands = np.zeros((1, 31), np.float32)
        conductor.on_snapshot(Snapshot(tenth / 10, level, level, bands, (), Health()))


@pytest.mark.parametrize("before", [BEFORE["it rings"], BEFORE["it has just stopped"]])
def test_an_interruption_counts_no_cut_that_nobody_told_of(before: tuple[acts.Entry, ...]) -> None:
    """Oracle: the faders are as at the crash, however long one waits; the answer decides."""
    conductor = Conductor(fold(PLAN, before), Unwritten())
    conductor.start()
    passing(conductor, 0.1, 60.0)
    assert conductor.state.phase is Phase.PULL
    assert conductor.state.cuts_db == FLAT
    assert conductor.state.found == ()
    pulled = step(conductor.state, acts.Made(70.0))
    assert pulled.phase is Phase.LISTENING
    assert pulled.cuts_db != FLAT
    assert not pulled.found[0].has_cleared  # nobody heard it stop
    left = step(conductor.state, acts.Skip(70.0))
    assert (left.phase, left.cuts_db) == (Phase.LISTENING, FLAT)


def test_pulled_before_an_interruption_it_stays_counted_and_is_not_said_to_have_cleared() -> None:
    """Oracle: definition: the person said that it is pulled; nobody heard it stop."""
    state = fold(PLAN, BEFORE["pulled, not yet gone"])
    conductor = Conductor(state, Unwritten())
    conductor.start()
    assert conductor.state.phase is Phase.LISTENING
    assert conductor.state.cuts_db == state.cuts_db
    assert not conductor.state.found[0].has_cleared


def test_a_ring_that_is_heard_again_after_an_interruption_counts_as_ever() -> None:
    """Oracle: the plan's settling time, from when it is heard to stop."""
    conductor = Conductor(fold(PLAN, (HEARD,)), Unwritten())
    conductor.start()
    conductor.on_event(event(1, RingState.RINGING, 5.0, 2513.0))
    conductor.on_event(event(1, RingState.CLEARED, 8.0, 2513.0))
    passing(conductor, 8.0, 8.0 + PLAN.settle_s - 0.2)
    assert conductor.state.cuts_db == FLAT
    passing(conductor, 8.0 + PLAN.settle_s - 0.1, 8.1 + PLAN.settle_s)
    assert conductor.state.cuts_db != FLAT
    assert conductor.state.found[0].has_cleared


@pytest.mark.parametrize("is_recording", [False, True])
def test_what_the_end_of_the_loop_clears_was_not_heard_to_stop(is_recording: bool) -> None:
    """Oracle: definition. `q` while it is checked: the ring's own end never came."""
    is_stopping = False
    log = Unwritten()
    conductor = Conductor(
        begin(PLAN), log, finishes_at_end=is_recording, is_stopping=lambda: is_stopping
    )
    conductor.start()
    conductor.on_event(event(1, RingState.RINGING, 5.0, 2513.0))
    conductor.submit(acts.Made(0.0))
    passing(conductor, 5.1, 5.2)
    is_stopping = True
    conductor.on_event(event(1, RingState.CLEARED, 5.3, 2513.0))
    conductor.close()
    assert conductor.state.phase is Phase.CHECKING
    assert not any(isinstance(entry, acts.RingGone) for entry in log.entries)


class Flaky:
    """A source of silence of one channel that can lose samples."""

    rate_hz, channels, names = 48000, 1, ("Mix",)

    def __init__(self) -> None:
        self.lost = 0

    def read(self) -> Block:
        """Return a tenth of a second, and what was lost before it."""
        lost, self.lost = self.lost, 0
        return Block(np.zeros((4800, 1), np.float32), lost)


@pytest.mark.parametrize(("lost_s", "is_counted"), [(GAP_S - 0.1, True), (GAP_S, False)])
def test_a_cable_that_was_pulled_counts_no_cut(lost_s: float, is_counted: bool) -> None:
    """Oracle: definition. The silence in place of lost sound clears the ring, and no hand has moved
    a fader; a short gap leaves the settling time to be heard.
    """
    source = Flaky()
    tap = FloorTap(source, 0)  # type: ignore[arg-type]
    conductor = Conductor(begin(PLAN), Unwritten(), floor=tap)
    conductor.start()
    tap.read()
    conductor.on_event(event(1, RingState.RINGING, 5.0, 2513.0))
    source.lost = round(lost_s * source.rate_hz)
    tap.read()
    conductor.on_event(event(1, RingState.CLEARED, 5.5, 2513.0))
    passing(conductor, 5.6, 30.0)
    assert (conductor.state.cuts_db != FLAT) is is_counted


def muted_at_a_ring(after_db: float | None) -> list[Block]:
    """Return half a second of silence, a howl, and from 4 s on a floor, or None for silence."""
    time_s = np.arange(8 * Flaky.rate_hz) / Flaky.rate_hz
    noise = np.random.default_rng(1).standard_normal(time_s.size)
    level = np.minimum(1e-4 * 10 ** ((time_s - 1) * 25 / 20), 0.3)
    sound = 1e-3 * noise + level * np.sin(2 * np.pi * 2513 * time_s)
    rest = 0.0 if after_db is None else 10 ** (after_db / 20)
    sound = np.where(time_s < 4.0, sound, rest * noise)
    sound[time_s < 0.5] = 0.0
    return chopped(sound.astype(np.float32)[:, None], [960] * (time_s.size // 960))


@pytest.mark.parametrize(
    ("after_db", "minds_silence", "is_counted"),
    [
        (None, True, False),  # muted on a digital desk, or its device has let go
        (-130.0, True, False),  # with dither
        (-90.0, True, True),  # an open channel: the ring was heard to stop
        (None, False, True),  # a recording, that nobody can be asked about
    ],
)
def test_a_mute_at_a_ring_counts_no_cut(
    after_db: float | None, minds_silence: bool, is_counted: bool
) -> None:
    """Oracle: definition. A ring that ends in silence was not heard to stop; its person is asked.

    Silence before anything rings is no interruption.
    """
    log = Unwritten()
    tap = FloorTap(FakeSource(muted_at_a_ring(after_db)), 0, minds_silence=minds_silence)
    conductor = Conductor(begin(PLAN), log, floor=tap)
    run_loop(tap, Engine(tap.rate_hz, [ChannelSetup()]), [conductor], names=("Mix",))
    state = conductor.state
    interruptions = [entry for entry in log.entries if isinstance(entry, acts.Interrupted)]
    assert len(interruptions) == (not is_counted)
    assert (state.cuts_db != FLAT) is is_counted
    if not is_counted:
        assert state.phase is Phase.PULL
        assert state.ring is not None
        assert state.ring.is_lost
        assert (state.found, state.pulls[0].band_hz) == ((), 2500.0)
