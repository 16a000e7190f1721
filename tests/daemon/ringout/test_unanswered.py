"""Without screen and OSC: an instruction that nobody can answer does not stand for good."""

from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from fakes import FakeSource, snapshot

from prehowl.daemon.cli import main
from prehowl.daemon.errors import UsageError
from prehowl.daemon.events import RingEvent
from prehowl.daemon.ringout import acts
from prehowl.daemon.ringout.conductor import Conductor
from prehowl.daemon.ringout.job import Job, run_job
from prehowl.daemon.ringout.journal import Journal, Unwritten, recall
from prehowl.daemon.ringout.origins import Opened, Origin
from prehowl.daemon.ringout.session import begin, fold
from prehowl.daemon.ringout.state import FLAT, Phase, Plan
from prehowl.daemon.ringout.unanswered import WAIT_S, Unanswered
from prehowl.daemon.sheets.store import Store
from prehowl.daemon.show import default_show
from prehowl.daemon.sources.base import Block
from prehowl.daemon.stopping import StopFlag
from prehowl.detectors.rings import RingState

PLAN = Plan(mix="Mix 1", monitor="Wedge 12", microphone="Vocal")
HEARD = acts.RingHeard(1.0, 1, 2513.25, -20.5, 40.0, -0.3)
RATE_HZ = 48000


def event(ring_id: int, state: RingState, time_s: float, hertz: float) -> RingEvent:
    return RingEvent(ring_id, 1, "Mix", state, time_s, time_s, hertz, 1000, -20.0, 30.0, -0.2, 3.0)


class Desk:
    """A ring-out with an instruction, at its start again after an interruption, and its watch."""

    def __init__(self) -> None:
        self.ends, self.said = 0, list[str]()
        self.log = Unwritten()
        self.unanswered = Unanswered(self._end, self.said.append)
        self.conductor = Conductor(fold(PLAN, (HEARD,)), self.log, (self.unanswered,))
        self.conductor.start()

    def _end(self) -> None:
        self.ends += 1

    def listen(self, from_s: float, to_s: float) -> None:
        """Let time go by with a snapshot every tenth of a second."""
        for tenth in range(round(from_s * 10), round(to_s * 10) + 1):
            self.look(tenth / 10)

    def look(self, time_s: float) -> None:
        for sink in (self.conductor, self.unanswered):
            sink.on_snapshot(snapshot(time_s=time_s))


def test_it_ends_unfinished_whatever_else_rings_meanwhile() -> None:
    """Oracle: definition: the ring of the instruction does not come back, another one does; after
    the wait it ends once, with no cut counted and nothing finished.
    """
    desk = Desk()
    assert len(desk.said) == 1
    assert "nobody can answer" in desk.said[0]
    desk.listen(0.1, 2.0)
    desk.conductor.on_event(event(1, RingState.RINGING, 2.0, 1000.0))
    desk.conductor.on_event(event(1, RingState.CLEARED, 4.0, 1000.0))
    desk.listen(2.1, WAIT_S - 0.1)
    assert (desk.ends, desk.unanswered.is_over) == (0, False)
    desk.listen(WAIT_S, 60.0)
    assert (desk.ends, desk.unanswered.is_over) == (1, True)
    assert len(desk.said) == 1
    assert (desk.conductor.state.phase, desk.conductor.state.cuts_db) == (Phase.PULL, FLAT)
    assert not any(isinstance(entry, acts.Finish) for entry in desk.log.entries)


def test_a_ring_that_is_back_in_time_counts_as_ever_and_nothing_ends() -> None:
    """Oracle: definition: it was heard to stop, so nobody need answer."""
    desk = Desk()
    desk.listen(0.1, WAIT_S - 1)
    desk.conductor.on_event(event(1, RingState.RINGING, WAIT_S - 1, 2513.0))
    desk.listen(WAIT_S - 0.9, 40.0)
    desk.conductor.on_event(event(1, RingState.CLEARED, 40.0, 2513.0))
    desk.listen(40.1, 60.0)
    assert desk.ends == 0
    assert desk.conductor.state.phase is Phase.LISTENING
    assert desk.conductor.state.cuts_db != FLAT


def test_time_that_nobody_listened_to_is_no_wait() -> None:
    """Oracle: definition: stream time leaps over a minute without a device."""
    desk = Desk()
    desk.listen(0.1, 1.0)
    desk.look(61.0)
    desk.listen(61.1, 60.0 + WAIT_S - 0.5)
    assert desk.ends == 0
    desk.listen(60.0 + WAIT_S - 0.4, 62.0 + WAIT_S)
    assert desk.ends == 1


def job_of(source: FakeSource, log: Journal | Unwritten, folder: Path) -> Job:
    opened = Opened(source, "interface")
    store = Store(folder / "sheets")
    show = default_show()
    return Job(Origin("device"), opened, show, begin(PLAN), log, store, False, False, "fast", False)


def blocks(is_pulled: bool) -> Iterator[Block]:
    """A howl, half a second and more without a cable, then the howl again or a quiet room."""
    time_s = np.arange(3 * RATE_HZ) / RATE_HZ
    level_db = np.minimum(-80.0 + 40.0 * np.maximum(time_s - 0.3, 0.0), -20.0)
    noise = 1e-4 * np.random.default_rng(1).standard_normal(time_s.size)
    howl = 10 ** (level_db / 20) * np.sin(2000 * np.pi * time_s) + noise
    for piece in np.split(howl.astype(np.float32)[:, None], 30):
        yield Block(piece)
    room = np.split(noise.astype(np.float32)[:, None], 30)
    yield Block(room[0], lost=round(0.7 * RATE_HZ))
    if not is_pulled:
        for piece in np.split(howl.astype(np.float32)[2 * RATE_HZ :, None], 10):
            yield Block(piece)
    for _ in range(5):
        for piece in room:
            yield Block(piece)


def test_pulled_in_a_gap_the_ring_out_ends_and_says_how_to_go_on(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Oracle: definition. The fader went down while the cable was out: the program ends by itself,
    the message is the command that goes on, the journal holds no cut, and can be resumed.
    """
    path = tmp_path / "j.jsonl"
    log = Journal.begin(path, PLAN, asdict(Origin("device")))
    source = FakeSource(blocks(is_pulled=True))
    with pytest.raises(UsageError, match=f"--osc-in.*prehowl ringout --resume {path}"):
        run_job(job_of(source, log, tmp_path), StopFlag())
    log.close()
    assert capsys.readouterr().err.count("nobody can answer here") == 1
    recalled = recall(path)
    state = fold(recalled.plan, recalled.entries)
    assert (state.phase, state.cuts_db, recalled.is_finished) == (Phase.PULL, FLAT, False)
    assert source.state == "running"


def test_not_pulled_in_a_gap_it_goes_on(tmp_path: Path) -> None:
    """Oracle: definition: the howl is heard again, and heard to stop: the cut counts."""
    log = Unwritten()
    job = job_of(FakeSource(blocks(is_pulled=False)), log, tmp_path)
    state = run_job(job, StopFlag()).state
    assert any(isinstance(entry, acts.Interrupted) for entry in log.entries)
    assert state.phase is Phase.LISTENING
    assert [found.band_hz for found in state.found] == [1000.0]
    assert state.found[0].has_cleared


@dataclass
class OtherRate(FakeSource):
    """Comes back at 44.1 kHz, from the block on that begins with what was lost."""

    def read(self) -> Block | None:
        """Return the next block."""
        block = super().read()
        if block is not None and block.lost:
            self.rate_hz = 44_100
        return block


def sounded(hz: float, seconds: float, rate_hz: int, from_db: float) -> list[Block]:
    """A howl of 40 dB/s up to -20 dBFS in a quiet room."""
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    level_db = np.minimum(from_db + 40.0 * np.maximum(time_s - 0.3, 0.0), -20.0)
    noise = 1e-4 * np.random.default_rng(1).standard_normal(time_s.size)
    sound = 10 ** (level_db / 20) * np.sin(2 * np.pi * hz * time_s) + noise
    return [Block(piece) for piece in np.array_split(sound.astype(np.float32)[:, None], 30)]


def test_a_device_that_comes_back_at_another_rate_is_heard_rightly(tmp_path: Path) -> None:
    """Oracle: truth: 1000 Hz stays 1000 Hz, which by the old rate would be 1088 Hz; and the ring
    was not heard to stop when the device went."""
    first, *then = sounded(1000.0, 3.0, 44_100, from_db=-80.0)
    after = [Block(first.samples, lost=round(0.7 * RATE_HZ)), *then]
    room = sounded(1000.0, 4.0, 44_100, from_db=-300.0)
    log = Unwritten()
    source = OtherRate([*sounded(1000.0, 3.0, RATE_HZ, from_db=-80.0), *after, *room])
    state = run_job(job_of(source, log, tmp_path), StopFlag()).state
    heard = [entry for entry in log.entries if isinstance(entry, acts.RingHeard)]
    assert len(heard) >= 2
    assert [entry.frequency_hz for entry in heard] == pytest.approx([1000.0] * len(heard), rel=2e-3)
    assert any(isinstance(entry, acts.Interrupted) for entry in log.entries)
    assert [found.band_hz for found in state.found] == [1000.0]


def test_resumed_where_nobody_can_answer_it_says_so_and_ends(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Oracle: definition, through the real command: one hint at once, one error line at the end,
    exit code 2.
    """
    path = tmp_path / "j.jsonl"
    log = Journal.begin(path, Plan(), asdict(Origin("virtual", seed=1)))
    log.append(HEARD)
    log.close()
    assert main(["ringout", "--resume", str(path), "--headless", "--pace", "fast"]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.count("nobody can answer here") == 2
    assert f"prehowl ringout --resume {path}" in said.err.splitlines()[-1]


def _screen(job: Job) -> Job:
    return replace(job, has_screen=True)


def _recording(job: Job) -> Job:
    return replace(job, ends_itself=True)


def _osc(job: Job, *verbs: str) -> Job:
    osc_in = replace(job.show.osc_in, port=9124, **({"verbs": verbs} if verbs else {}))  # type: ignore[arg-type]
    return replace(job, show=replace(job.show, osc_in=osc_in))


@pytest.mark.parametrize(
    ("changed", "can"),
    [
        (lambda job: job, False),
        (_screen, True),
        (_recording, True),
        (_osc, True),
        (lambda job: _osc(job, "next_act", "ringout_finish"), False),
        (lambda job: _osc(job, "ringout_confirm"), True),
    ],
)
def test_who_can_answer(changed: Callable[[Job], Job], can: bool, tmp_path: Path) -> None:
    """Oracle: definition: a screen's keys, OSC in with a verb that answers, a recording's hand."""
    job = job_of(FakeSource([]), Unwritten(), tmp_path)
    assert changed(job).can_be_answered is can
