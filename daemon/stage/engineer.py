"""The virtual monitor engineer: two ears, one hand, a human reaction time.

Owns what is done about rings on the virtual stage. Advice comes from outside (an alarm with a
channel, a frequency and a cut); a howl that nobody advised on is heard, late, as anyone hears it:
one pitch that drowns all else and does not go away. Either way about a second passes before a hand
moves.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.stage.stage import Stage
from prehowl.detectors.bands import band_index

Real = NDArray[np.float64]

REACTION_S = (0.7, 1.5)
"""From an alarm on the screen to a moving fader. Common experience, no source."""
EARS_S = 0.9
"""How long a mix must howl before an engineer without advice is sure and acts."""
LOOK_S = 0.1
HEARD_SAMPLES = 8192
DROWNS_SHARE = 0.6
"""Share of a mix's power in one line that makes a tone drown the music."""
QUIETEST_DBFS = -35.0
PULL_DB = 8.0
"""How far a send goes down when there is no time for a band."""
DEEPEST_CUT_DB = -9.0


@dataclass(frozen=True, slots=True)
class Advice:
    """What an alarm tells the engineer."""

    mix: int
    frequency_hz: float
    cut_db: float


@dataclass(frozen=True, slots=True)
class _Plan:
    at: int  # sample
    advice: Advice | None  # None: pull the whole mix
    mix: int


class Engineer:
    """Acts on a stage; the same advice at the same samples gives the same acts.

    Parameters
    ----------
    stage : Stage
    seed : int
        Of reaction times.
    """

    def __init__(self, stage: Stage, seed: int) -> None:
        self._stage = stage
        self._rng = np.random.default_rng(seed)
        mixes = len(stage.equalisers)
        self._plans: list[_Plan] = []
        self._heard = np.zeros((mixes, HEARD_SAMPLES))
        self._next_look = 0
        self._pitch = np.zeros(mixes)  # bin of the strongest line
        self._howls_for = np.zeros(mixes)  # seconds

    def advise(self, advice: Advice, sample: int) -> None:
        """Take an alarm that was on the screen at a sample; one plan a mix at a time."""
        if any(plan.mix == advice.mix for plan in self._plans):
            return
        wait_s = float(self._rng.uniform(*REACTION_S))
        at = sample + round(wait_s * self._stage.rate_hz)
        self._plans.append(_Plan(at, advice, advice.mix))

    def step(self, mix: Real) -> None:
        """Listen to one block of all mixes, (mixes, samples), and do what is due."""
        self._listen(mix)
        due = [plan for plan in self._plans if plan.at <= self._stage.now]
        self._plans = [plan for plan in self._plans if plan.at > self._stage.now]
        for plan in due:
            if plan.advice is None:
                self._pull(plan.mix)
            else:
                self._cut(plan.advice)

    def _listen(self, mix: Real) -> None:
        self._heard = np.concatenate((self._heard[:, mix.shape[1] :], mix), axis=1)
        if self._stage.now < self._next_look:
            return
        self._next_look = self._stage.now + round(LOOK_S * self._stage.rate_hz)
        pitch, drowns = _strongest_line(self._heard)
        same = np.abs(pitch - self._pitch) <= 2
        self._pitch = pitch
        self._howls_for = np.where(same & drowns, self._howls_for + LOOK_S, 0.0)
        for index in np.flatnonzero(self._howls_for > EARS_S):
            self._howls_for[index] = 0.0
            if not any(plan.mix == index and plan.advice is None for plan in self._plans):
                self._plans.append(_Plan(self._stage.now, None, int(index)))

    def _cut(self, advice: Advice) -> None:
        """Move one band of the mix's graphic equaliser down by the advice."""
        equaliser = self._stage.equalisers[advice.mix]
        band = int(band_index(advice.frequency_hz))
        wanted = float(equaliser.bands_db[band]) - advice.cut_db
        equaliser.move(band, max(wanted, DEEPEST_CUT_DB))

    def _pull(self, mix: int) -> None:
        """Pull every open send of a mix."""
        for ch, level_db in enumerate(self._stage.sends.now_db[mix]):
            self._stage.sends.move((mix, ch), float(level_db) - PULL_DB, 0.3)


def _strongest_line(heard: Real) -> tuple[Real, NDArray[np.bool_]]:
    """Return each mix's strongest bin, and whether it holds most of the power and is loud."""
    power = np.abs(np.fft.rfft(heard * np.hanning(heard.shape[1]))) ** 2
    total = power.sum(axis=1) + 1e-12
    pitch = power.argmax(axis=1)
    around = np.clip(pitch[:, None] + np.array([-1, 0, 1]), 0, power.shape[1] - 1)
    line = np.take_along_axis(power, around, 1).sum(axis=1)
    level_dbfs = 10 * np.log10(np.mean(heard**2, axis=1) + 1e-12)
    drowns = (line > DROWNS_SHARE * total) & (level_dbfs > QUIETEST_DBFS)
    return pitch.astype(float), drowns
