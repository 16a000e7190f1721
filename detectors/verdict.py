"""What one frame of one resolution says: places in the spectrum, and how sure it is of each."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Figures = NDArray[np.float32]

SUSPECT_FROM = 0.55
"""Suspicion of a suspect: the share of the evidence for an alarm, which is 1."""


def level_for(sensitivity: Figures, level: float, nepers_per_e_fold: float) -> Figures:
    """Return the level of odds to ask for, in nepers.

    Parameters
    ----------
    sensitivity : ndarray, shape (places,)
        > 0; 2 lets about twice as many false ones through as 1, where `level` holds.
    level, nepers_per_e_fold : float
        As fitted: what is asked for, and how far it must go up for e times fewer false ones.
    """
    return np.asarray(level - nepers_per_e_fold * np.log(sensitivity), np.float32)


@dataclass(frozen=True, slots=True)
class Verdict:
    """Arrays of shape (places,), one a bin in which something rises or lingers."""

    ch: NDArray[np.intp]
    bin: NDArray[np.intp]
    place: Figures  # in bins; of a line that lingers finer than its bin
    belief: Figures  # nepers of odds; of a rise running from frame to frame; NaN: what stands
    growth_db_per_s: Figures  # over the most telling duration; of a line that lingers: its
    # falls; NaN where it is not known
    duration_s: Figures
    lingers: NDArray[np.bool_]  # no rise, but a line that lingers

    @property
    def stands(self) -> NDArray[np.bool_]:
        """Tell which are tones that stand (`lone_tone`, `standing_line`): nothing was weighed."""
        return np.asarray(np.isnan(self.belief))

    def and_also(self, other: "Verdict") -> "Verdict":
        """Return both, this one's places first."""
        return Verdict(
            np.concatenate([self.ch, other.ch]),
            np.concatenate([self.bin, other.bin]),
            np.concatenate([self.place, other.place]),
            np.concatenate([self.belief, other.belief]),
            np.concatenate([self.growth_db_per_s, other.growth_db_per_s]),
            np.concatenate([self.duration_s, other.duration_s]),
            np.concatenate([self.lingers, other.lingers]),
        )


@dataclass(frozen=True, slots=True)
class Standing:
    """Tones that stand, and are to be told now."""

    verdict: Verdict  # growth is NaN where no rise is in the memory; an alarm's does not linger
    suspicion: Figures  # (places,) 1 for an alarm

    def and_also(self, other: "Standing | None") -> "Standing":
        """Return both, this one's first."""
        if other is None:
            return self
        suspicion = np.concatenate([self.suspicion, other.suspicion])
        return Standing(self.verdict.and_also(other.verdict), suspicion)


def no_verdict() -> Verdict:
    """Return a verdict on nothing."""
    none, nothing = np.zeros(0, np.intp), np.zeros(0, np.float32)
    return Verdict(none, none, nothing, nothing, nothing, nothing, np.zeros(0, bool))
