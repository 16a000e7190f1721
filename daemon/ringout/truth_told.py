"""The truth at the end of a practice: what the cuts have won, what was missed, what was too much.

Owns the comparison of a ring-out with the loop's own path. It watches what was heard and looks up
what was true at that moment; nothing of it reaches the session.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from prehowl.daemon.ringout.acts import Entry, RingHeard
from prehowl.daemon.ringout.best import best_cuts
from prehowl.daemon.ringout.cost import pink_loss_db
from prehowl.daemon.ringout.state import Phase, State
from prehowl.daemon.ringout.virtual_source import VirtualSource
from prehowl.detectors.bands import NOMINAL_HZ, nominal_hz

NEAR_SHARE = 0.01
"""A heard frequency is that of a true ring if it is this near: a sixth of a semitone."""
ONE_RAISE_DB = 0.6
"""Rings that passed the limit with the same step of gain have no order among each other."""
IDLE_DB = 0.25
"""A cut that could go back to zero for less gain than this was one too many."""


@dataclass(frozen=True, slots=True)
class Told:
    """One instruction, and whether the loop agrees."""

    frequency_hz: float
    band_hz: float
    is_true: bool  # something takes off within 1 % of it, in this band
    is_in_order: bool  # and nothing stronger had been there a step of gain before


class TruthKeeper:
    """A `Watcher` that notes for every instruction what was true at its moment."""

    def __init__(self, source: VirtualSource) -> None:
        self._source = source
        self.told: list[Told] = []

    def on_state(self, state: State, entry: Entry | None) -> None:
        """Look at the loop whenever a ring that was just heard becomes an instruction."""
        if not isinstance(entry, RingHeard) or state.ring is None:
            return
        is_new = state.ring.since_s == entry.time_s and state.phase in (Phase.PULL, Phase.ADVISED)
        if is_new and state.ring.frequency_hz == entry.frequency_hz:
            self.told.append(self._compared(state, entry.frequency_hz))

    def close(self) -> None:
        """Keep the notes."""

    def _compared(self, state: State, heard_hz: float) -> Told:
        over = self._source.truth.over(state.cuts_db, self._source.gain_db)
        band_hz = nominal_hz(heard_hz)
        near = [
            by_db
            for hertz, by_db in over
            if abs(hertz / heard_hz - 1) < NEAR_SHARE and nominal_hz(hertz) == band_hz
        ]
        strongest = over[0][1] if over else 0.0
        return Told(
            heard_hz, band_hz, bool(near), bool(near) and max(near) > strongest - ONE_RAISE_DB
        )


def truth_record(source: VirtualSource, state: State, keeper: TruthKeeper) -> dict[str, Any]:
    """Return the truth about a finished practice as JSON types; every gain in dB.

    Notes
    -----
    `best_won_db` is what an optimiser that knows the path reaches with as many faders and the same
    cap, `best_won_same_cut_db` with no more decibels pulled in all either. `bands_missed_hz` run
    away at the send's last position and were never told; `cuts_too_many_hz` could go back to zero
    for less than 0.25 dB of gain.
    """
    cuts = np.array(state.cuts_db)
    truth, flat = source.truth, source.flat_limit_db
    after = truth.limit(cuts)[0]
    used = int(np.count_nonzero(cuts))
    cap, step = state.plan.cap_db, state.plan.step_db
    best = best_cuts(truth, used, cap, step, (cuts,))
    as_gentle = best_cuts(truth, used, cap, step, (cuts,), most_in_all_db=float(cuts.sum()))
    return {
        "gain_before_feedback_before_db": round(flat, 2),
        "gain_before_feedback_after_db": round(after, 2),
        "gain_won_db": round(after - flat, 2),
        "best_won_db": round(best[1] - flat, 2),
        "best_won_same_cut_db": round(as_gentle[1] - flat, 2),
        "best_cuts_db": _by_band(best[0]),
        "best_pink_loss_db": round(pink_loss_db(tuple(best[0]), state.plan.eq_kind), 2),
        "bands_missed_hz": _missed(source, state, keeper),
        "cuts_too_many_hz": [NOMINAL_HZ[band] for band in _idle(source, cuts, after)],
        "instructions": len(keeper.told),
        "instructions_true": sum(told.is_true for told in keeper.told),
        "instructions_in_order": sum(told.is_in_order for told in keeper.told),
    }


def _by_band(cuts: Any) -> dict[str, float]:
    return {f"{NOMINAL_HZ[at]:g}": float(cuts[at]) for at in np.flatnonzero(cuts)}


def _missed(source: VirtualSource, state: State, keeper: TruthKeeper) -> list[float]:
    over = source.truth.over(state.cuts_db, source.start_db + state.raised_db)
    ringing = {nominal_hz(hertz) for hertz, by_db in over if by_db > ONE_RAISE_DB}
    heard = {told.band_hz for told in keeper.told}
    return sorted(ringing - heard)


def _idle(source: VirtualSource, cuts: Any, after_db: float) -> list[int]:
    idle = []
    for band in np.flatnonzero(cuts):
        without = cuts.copy()
        without[band] = 0.0
        if source.truth.limit(without)[0] > after_db - IDLE_DB:
            idle.append(int(band))
    return idle
