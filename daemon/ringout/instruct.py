"""From a ring to an instruction: first time, again, still, unmoved, or the neighbour's turn."""

from dataclasses import replace

from prehowl.daemon.ringout.acts import RingHeard
from prehowl.daemon.ringout.advice import (
    advise,
    advise_neighbour,
    attenuation_db,
    is_same_ring,
    nearest_fader,
)
from prehowl.daemon.ringout.cost import taken_per_band
from prehowl.daemon.ringout.gain import gain_between
from prehowl.daemon.ringout.state import Found, HeldRing, Phase, Pull, Reason, Remark, State
from prehowl.daemon.ringout.when_to_stop import advised
from prehowl.detectors.bands import NOMINAL_HZ

OWN_TRIES = 2
"""Instructions that the nearest fader gets before the neighbours are tried."""
NEIGHBOURS = 2
HELD_SHARE = 1 / 3
"""A ring that comes back with less of its cut than this as more gain was not held by the fader."""
RESERVE_DB = 1.0
MOST_WANTED_DB = 4.0
"""Never more than this in one go: 2-4 dB in all are usual (common practice, no source)."""


def instructed(state: State, ring: RingHeard) -> State:
    """Return the state with an instruction for a ring, or with the advice to stop."""
    gain_db = _gain_at(state, ring)
    earlier = _met_before(state, ring.frequency_hz)
    unmoved = earlier is not None and _was_not_held(state, earlier, gain_db)
    fader = nearest_fader(ring.frequency_hz)
    held = HeldRing(
        frequency_hz=ring.frequency_hz,
        band_hz=NOMINAL_HZ[fader],
        level_dbfs=ring.level_dbfs,
        growth_db_per_s=ring.growth_db_per_s,
        since_s=ring.time_s,
        tries=earlier.tries + 1 if unmoved and earlier is not None else 1,
        gain_db=gain_db,
        attenuation_db=attenuation_db(state.cuts_db, ring.frequency_hz, state.plan.eq_kind),
        at=ring.at,
    )
    rang_before = any(found.band_hz == held.band_hz and found.pulls for found in state.found)
    remark = Remark.UNMOVED if unmoved else Remark.AGAIN if rang_before else Remark.FIRST
    return _told(state, held, remark, _wanted_db(state, ring, remark))


def told_again(state: State) -> State:
    """Return the state with a further instruction for a ring that has not responded."""
    held = state.ring
    if held is None:
        return state
    further = replace(held, tries=held.tries + 1)
    return _told(state, further, Remark.STILL, state.plan.again_db)


def _told(state: State, held: HeldRing, remark: Remark, wanted_db: float) -> State:
    state = replace(state, ring=held)
    attempt = held.tries - OWN_TRIES - 1
    if attempt >= NEIGHBOURS:
        return advised(state, Reason.NO_RESPONSE)
    if attempt >= 0:
        remark = Remark.NEIGHBOUR
        pulls = advise_neighbour(
            held.frequency_hz, wanted_db, state.cuts_db, state.plan, attempt=attempt
        )
    else:
        pulls = advise(held.frequency_hz, wanted_db, state.cuts_db, state.plan)
    if not pulls:
        return advised(state, Reason.AT_CAP)
    return _with_pulls(state, remark, pulls)


def _with_pulls(state: State, remark: Remark, pulls: tuple[Pull, ...]) -> State:
    return replace(
        state, phase=Phase.PULL, remark=remark, pulls=pulls, waiting_since_s=state.time_s
    )


def _wanted_db(state: State, ring: RingHeard, remark: Remark) -> float:
    """Return the attenuation to ask for; more where the ring is measured to be far over."""
    usual = state.plan.pull_db if remark is Remark.FIRST else state.plan.again_db
    if ring.margin_db is None:
        return usual
    return max(usual, min(RESERVE_DB - ring.margin_db, MOST_WANTED_DB))


def _gain_at(state: State, ring: RingHeard) -> float | None:
    """Return the measured gain over the first ring's at which this one began, dB."""
    if ring.floor_db is None or state.first_floor_db is None:
        return None
    if ring.floor_db == state.first_floor_db:
        return 0.0
    taken = taken_per_band(state.cuts_db, state.plan)
    won = gain_between(state.first_floor_db, ring.floor_db, taken)
    return None if won is None else won.db


def _met_before(state: State, frequency_hz: float) -> Found | None:
    """Return the last time that this ring was met and cut."""
    for found in reversed(state.found):
        if found.pulls and is_same_ring(found.frequency_hz, frequency_hz):
            return found
    return None


def _was_not_held(state: State, earlier: Found, gain_db: float | None) -> bool:
    """Tell whether a ring came back at hardly more gain although faders went down since."""
    if gain_db is None or earlier.gain_db is None:
        return False
    since = attenuation_db(state.cuts_db, earlier.frequency_hz, state.plan.eq_kind)
    expected_db = since - earlier.attenuation_db
    return gain_db - earlier.gain_db < HELD_SHARE * expected_db
