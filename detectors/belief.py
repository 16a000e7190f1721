"""Weigh the evidence: say how sure it is that a rising peak is a ring.

The evidence of a row is a sum of heights in nepers of odds (natural logarithm), one from each of
many small trees of three yes/no questions: a rise of 8 dB says little by itself, much if nothing
else on the channel rises. The trees were fitted to howl-free sound and to simulated loops, with
the direction of every question held to what physics says (more rise, less wander, fewer
companions speak for a ring); see `weights` and docs/detection.md.

The belief in one bin then follows its frames as a running mean, so that one lucky frame does not
raise an alarm.
"""

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.rises import Rising
from prehowl.detectors.trees import Trees
from prehowl.detectors.verdict import SUSPECT_FROM, Verdict, level_for
from prehowl.detectors.weights import ALARM_AT, BIAS, NEPERS_PER_E_FOLD, QUESTIONS

Figures = NDArray[np.float32]

SUSPECT_BELOW = 1.15
"""Nepers under the alarm at which a suspect begins."""
FLOOR = np.float32(-3.0)
CEILING = np.float32(6.0)
FADE = np.float32(0.15)
FOLLOW = np.float32(0.7)
"""Share of the way to the newest frame's evidence that the belief goes at each. Slower, a long
swell adds up to an alarm as a ring does; faster, one lucky frame raises it."""


SIGNALS = {
    "rise": 1,
    "needed": 1,  # a short rise must be a high one
    "duration": 1,
    "residual": -1,
    "straight": 1,
    "late": 1,
    "last": 1,
    "wander": -1,
    "wander_cents": -1,
    "share": 1,
    "pnpr": 1,
    "relative": 1,
    "now": 1,
    "rest_share": -1,
    "rest": -1,
    "crowd_share": -1,
    "flank_share": -1,
    "company": -1,
    "usual_lines": -1,
    "over_usual": 1,
    "new": 1,
    "phpr": 1,
    "growth": 0,
    "frame": 0,
}
"""What is asked about, and its direction: +1: more of it speaks for a ring; -1: against; 0: other
answers weigh differently at another growth or in another frame length."""


TREES = Trees.from_rows(QUESTIONS, BIAS, tuple(SIGNALS))


def signals(rising: Rising) -> Figures:
    """Return the figures that are asked about, shape (rows, signals), in the order of `SIGNALS`."""
    c = rising.column
    rise, duration, residual = c("rise_db"), c("duration_s"), c("residual_db")
    return np.stack(
        [
            rise,
            rise - np.float32(2.2) / (duration + np.float32(0.1)),
            duration,
            residual,
            rise / np.maximum(residual, np.float32(0.2)),
            np.minimum(c("late_share"), 1),  # a convex rise is no straighter than a straight one
            np.minimum(c("last_share"), 1),
            c("wander"),
            np.maximum(c("wander_cents"), np.float32(0.3)),
            c("share"),
            c("pnpr_db"),
            c("relative_db"),
            c("now_db"),
            c("rest_rise_db") / rise,
            c("rest_rise_db"),
            c("crowd_rise_db") / rise,
            c("flank_rise_db") / rise,
            c("company"),
            c("usual_lines"),
            c("over_usual_db"),
            c("new_db"),
            c("phpr_db"),
            c("growth_db_per_s"),
            c("frame_s"),
        ],
        axis=1,
    ).astype(np.float32)


def log_odds(rising: Rising, trees: Trees = TREES) -> Figures:
    """Return the belief of each row alone, shape (rows,)."""
    if not len(rising.ch):
        return np.zeros(0, np.float32)
    return np.minimum(trees.sums(signals(rising)), CEILING)


def suspicion_of(belief: Figures, sensitivity: Figures) -> Figures:
    """Return the suspicion: 1 is enough for an alarm, `SUSPECT_FROM` for a suspect.

    Parameters
    ----------
    belief : ndarray, shape (places,)
        Running belief, nepers of odds.
    sensitivity : ndarray, shape (places,)
        > 0; 2 lets about twice as many false alarms through as 1.
    """
    level = level_for(sensitivity, ALARM_AT, NEPERS_PER_E_FOLD)
    share = (belief - level + SUSPECT_BELOW) / np.float32(SUSPECT_BELOW)
    return np.asarray(np.maximum(SUSPECT_FROM + (1 - SUSPECT_FROM) * share, 0), np.float32)


class Belief:
    """The running belief in every bin of one resolution.

    Parameters
    ----------
    channels, bins : int
    trees : Trees
        By which evidence is weighed.
    """

    def __init__(self, channels: int, bins: int, trees: Trees = TREES) -> None:
        self._trees = trees
        self._bins = bins
        self._belief = np.full(channels * bins, FLOOR, np.float32)
        self._live = np.zeros(0, np.intp)  # where it is above the floor

    def follow(self, rising: Rising, odds: Figures | None = None) -> Verdict:
        """Take in one frame's rising peaks; return the verdict on them.

        Parameters
        ----------
        rising : Rising
        odds : ndarray of float32, shape (rows,), optional
            What `log_odds` says of them, where that is known already.
        """
        if odds is None:
            odds = log_odds(rising, self._trees)
        index, best, odds = self._one_a_bin(rising, odds)
        before = self._belief[index]
        fresh = index[before == FLOOR]
        for beside in (index - 1, index + 1):  # a ring between two bins
            np.maximum(before, self._belief[beside], out=before)
        self._belief[self._live] += FADE * (FLOOR - self._belief[self._live])
        now = before + FOLLOW * (odds - before)
        self._belief[index] = now
        live = np.concatenate([self._live, fresh])
        worth = self._belief[live] > FLOOR + np.float32(0.3)
        self._belief[live[~worth]] = FLOOR
        self._live = live[worth]
        return Verdict(
            rising.ch[best],
            rising.bin[best],
            rising.bin[best].astype(np.float32),
            now,
            rising.growth_db_per_s[best],
            rising.column("duration_s")[best],
            np.zeros(len(best), bool),
        )

    def _one_a_bin(
        self, rising: Rising, odds: Figures
    ) -> tuple[NDArray[np.intp], NDArray[np.intp], Figures]:
        """Return, of the rows of each bin, the one that says most: its bin, number and odds."""
        index = rising.ch * self._bins + rising.bin
        order = np.lexsort((odds, index))
        last = np.append(index[order][1:] != index[order][:-1], True)[: len(order)]
        best = order[last]
        return index[best], best, odds[best]
