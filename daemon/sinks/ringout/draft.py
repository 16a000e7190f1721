"""What the person means to say they have pulled, while they are still typing it.

It begins as the instruction; arrows move it as the fader moves. It is thrown away when the
instruction changes, so that no key pressed for one ring can count for the next.
"""

from dataclasses import dataclass, replace

from prehowl.daemon.ringout.state import Pull, State
from prehowl.detectors.bands import NOMINAL_HZ

DEEPEST_DB = 15.0
"""As far as a fader can be said to stand down: more than graphic equalisers usually have (common
practice, no source); a cap of the plan beyond it counts instead."""


@dataclass(frozen=True, slots=True)
class Draft:
    """The faders as the person has corrected them so far."""

    asked: tuple[Pull, ...]  # the instruction it belongs to
    faders: tuple[Pull, ...]
    chosen: int = 0  # which fader the arrows move

    @property
    def is_changed(self) -> bool:
        """Tell whether it says something else than the instruction."""
        return self.faders != self.asked

    def told(self) -> tuple[tuple[float, float], ...]:
        """Return band and cut in all of every fader that is named or was left where it stood."""
        told = {pull.band_hz: pull.to_db for pull in self.faders}
        left = {p.band_hz: p.to_db - p.by_db for p in self.asked if p.band_hz not in told}
        return tuple(sorted({**left, **told}.items()))


def begin(pulls: tuple[Pull, ...]) -> Draft:
    """Return the draft that says: as told."""
    return Draft(pulls, pulls)


def edited(draft: Draft, action: str, state: State) -> Draft:
    """Return the draft after a key.

    Parameters
    ----------
    draft : Draft
        Before.
    action : str
        'further' or 'less' (one step of the fader), 'lower' or 'higher' (the neighbour band),
        'other' (the arrows move the other fader). Anything else changes nothing.
    state : State
        For the fader's step, the cap and where the faders stand.
    """
    if not draft.faders:
        return draft
    if action == "other":
        return replace(draft, chosen=(draft.chosen + 1) % len(draft.faders))
    if action in ("further", "less"):
        step = state.plan.step_db if action == "further" else -state.plan.step_db
        return _with_chosen(draft, _moved(draft.faders[draft.chosen], step, state))
    if action in ("lower", "higher"):
        return _at_neighbour(draft, 1 if action == "higher" else -1, state)
    return draft


def _moved(pull: Pull, step_db: float, state: State) -> Pull:
    stood = pull.to_db - pull.by_db
    return _standing(pull.band_hz, stood, pull.by_db + step_db, state)


def _standing(band_hz: float, stood_db: float, by_db: float, state: State) -> Pull:
    """Return a fader that stood somewhere and is moved on, within what it can do."""
    deepest_db = max(DEEPEST_DB, state.plan.cap_db)
    to_db = round(min(deepest_db, max(0.0, stood_db + by_db)), 3)
    return Pull(band_hz, round(to_db - stood_db, 3), to_db)


def _at_neighbour(draft: Draft, by: int, state: State) -> Draft:
    """Return the draft with the chosen cut on the next band; over a band that is taken it jumps."""
    pull = draft.faders[draft.chosen]
    taken = {p.band_hz for n, p in enumerate(draft.faders) if n != draft.chosen}
    band = NOMINAL_HZ.index(pull.band_hz) + by
    while 0 <= band < len(NOMINAL_HZ) and NOMINAL_HZ[band] in taken:
        band += by
    if not 0 <= band < len(NOMINAL_HZ):
        return draft
    moved = _standing(NOMINAL_HZ[band], state.cuts_db[band], pull.by_db, state)
    return _with_chosen(draft, moved)


def _with_chosen(draft: Draft, pull: Pull) -> Draft:
    faders = [*draft.faders]
    faders[draft.chosen] = pull
    return replace(draft, faders=tuple(faders))
