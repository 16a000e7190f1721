"""The invented festival: act after act on one virtual stage, for as long as anybody watches.

Owns the running order and the joining of programme, loop, cues and engineer into channels. No I/O;
the same seed gives the same samples, as long as the same alarms are given back at the same samples.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.stage.acts import CHANNELS, MICROPHONES, MIXES, Act, make_act
from prehowl.daemon.stage.engineer import Advice, Engineer
from prehowl.daemon.stage.faders import OFF_DB
from prehowl.daemon.stage.incidents import Cue, plot
from prehowl.daemon.stage.stage import LoopState
from prehowl.daemon.stage.stage_truth import StageMode
from prehowl.daemon.stage.truth_watch import Crossing, TruthWatch

Real = NDArray[np.float64]

NAME = "Gravel Moon Festival"
ACT_S = 31.0
CHANGEOVER_S = 2.0
TRUTH_EVERY_S = 0.1


@dataclass(frozen=True, slots=True)
class Note:
    """A line of the story."""

    time_s: float
    text: str


class Festival:
    """Makes blocks of all channels: microphones, mixes, playback.

    Parameters
    ----------
    rate_hz : int
    seed : int
        Another seed is another day: other wedges, acts, songs, places.
    with_truth : bool
        Follow the loop's own limit (costs time where things move); see `take_crossings`.
    """

    def __init__(self, rate_hz: int, seed: int, *, with_truth: bool = False) -> None:
        self.rate_hz = rate_hz
        self._seed = seed
        self._with_truth = with_truth
        self._number = -1
        self._now = 0  # samples since the festival's start
        self._crossings: list[Crossing] = []
        self._notes: list[Note] = []
        self._acts: list[Note] = []
        self._watch = TruthWatch()
        self._next_look = 0
        self._next_act()

    @property
    def channels(self) -> tuple[str, ...]:
        """Names of all channels."""
        return CHANNELS

    @property
    def running(self) -> tuple[StageMode, ...]:
        """Modes above the limit at the last look; empty without truth."""
        return tuple(self._watch.running)

    def loop_state(self) -> LoopState:
        """Return what the loop gain depends on now."""
        return self._act.stage.loop_state()

    def take_crossings(self) -> list[Crossing]:
        """Return the crossings of the limit since the last call."""
        found, self._crossings = self._crossings, []
        return found

    def take_notes(self) -> list[Note]:
        """Return the lines of the story since the last call."""
        found, self._notes = self._notes, []
        return found

    def take_acts(self) -> list[Note]:
        """Return the acts that have begun since the last call, by name."""
        found, self._acts = self._acts, []
        return found

    def advise(self, ch: int, frequency_hz: float, cut_db: float, sample: int) -> None:
        """Tell the engineer of an alarm on a channel (index) raised at a sample of the stream."""
        mix = self._mix_of(ch)
        if mix is not None:
            self._engineer.advise(Advice(mix, frequency_hz, cut_db), sample - self._began)

    def next_block(self) -> NDArray[np.float32]:
        """Return the next samples, shape (block_length, channels), as a converter would."""
        if self._now - self._began >= (ACT_S + CHANGEOVER_S) * self.rate_hz:
            self._next_act()
        act = self._act
        length = act.stage.block_length
        self._do_cues()
        programme, playback = act.programme.next(length)
        mic, mix = act.stage.step(programme, act.playback_in_mixes[:, None] * playback)
        self._engineer.step(mix)
        self._now += length
        if self._with_truth:
            self._look()
        together = np.concatenate((mic, mix, playback[None]))
        return np.clip(together.T, -1.0, 1.0).astype(np.float32)

    def _next_act(self) -> None:
        self._number += 1
        self._began = self._now
        self._act: Act = make_act(self._number, self.rate_hz, self._seed)
        self._engineer = Engineer(self._act.stage, self._seed + self._number)
        self._watch = TruthWatch()
        rng = np.random.default_rng([self._seed, 2, self._number])
        self._cues: list[Cue] = [*plot(self._number, rng), Cue(ACT_S, _everything_down)]
        self._tell(f"{NAME}, act {self._number + 1}: {self._act.name}")
        self._acts.append(Note(self._now / self.rate_hz, self._act.name))

    def _do_cues(self) -> None:
        into_s = (self._now - self._began) / self.rate_hz
        while self._cues and self._cues[0].at_s <= into_s:
            cue = self._cues.pop(0)
            cue.do(self._act)
            if cue.story:
                self._tell(cue.story)

    def _tell(self, text: str) -> None:
        self._notes.append(Note(self._now / self.rate_hz, text))

    def _look(self) -> None:
        if self._now < self._next_look:
            return
        self._next_look = self._now + round(TRUTH_EVERY_S * self.rate_hz)
        state = self._act.stage.loop_state()
        self._crossings += self._watch.look(state, self.rate_hz, self._now / self.rate_hz)

    def _mix_of(self, ch: int) -> int | None:
        """Return the mix in which a ring on this channel most likely runs round."""
        if ch < len(MICROPHONES):
            return int(np.argmax(self._act.stage.sends.now_db[:, ch]))
        mix = ch - len(MICROPHONES)
        return mix if mix < len(MIXES) else None


def _everything_down(act: Act) -> None:
    for (mix, ch), level_db in np.ndenumerate(act.stage.sends.now_db):
        if level_db > OFF_DB:
            act.stage.sends.move((mix, ch), OFF_DB, 0.8)
    for name in act.programme.names:
        act.programme.bring(name, OFF_DB, 0.8)
