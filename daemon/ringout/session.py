"""The ring-out as a pure state machine: what is known, plus one entry, is what is known next.

Owns the order of things: wait for a ring, hold it with its instruction, see it clear, count the
cut, ask for a little more gain. No clock, no file, no screen; time is what the entries carry, so
that a journal of entries is the whole ring-out and can be folded again after a crash.
Which fader by how much is `advice`; when to stop is `when_to_stop`; the gain won is `gain`.
"""

from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Any

from prehowl.daemon.ringout import acts
from prehowl.daemon.ringout.advice import is_same_ring
from prehowl.daemon.ringout.cost import taken_per_band
from prehowl.daemon.ringout.counting import corrected_pulls, counted, with_cleared
from prehowl.daemon.ringout.gain import gain_between
from prehowl.daemon.ringout.instruct import instructed, told_again
from prehowl.daemon.ringout.state import GainWon, Phase, Plan, Reason, State, Tap
from prehowl.daemon.ringout.when_to_stop import (
    CAN_BE_WAIVED,
    advised,
    reason_to_stop,
    rings_many_at_once,
)


def begin(plan: Plan) -> State:
    """Return the state of a ring-out in which nothing has happened yet."""
    return State(plan, cuts_db=plan.start_db)


def step(state: State, entry: acts.Entry) -> State:
    """Return the state after one entry; an act that makes no sense now changes only the time.

    Parameters
    ----------
    state : State
        From `begin` or the previous call; left untouched.
    entry : Entry
        Times must not run backwards; an earlier one counts as now.
    """
    now = replace(state, time_s=max(state.time_s, entry.time_s))
    return _STEPS[type(entry)](now, entry)


def fold(plan: Plan, entries: Iterable[acts.Entry]) -> State:
    """Return the state after all entries of a journal."""
    state = begin(plan)
    for entry in entries:
        state = step(state, entry)
    return state


def due_s(state: State) -> float | None:
    """Return when a `TimeUp` is due if nothing else happens before; None: nothing is waited for."""
    if state.ring is None:
        return None
    if state.phase is Phase.PULL and state.ring.has_cleared:
        return state.waiting_since_s + state.plan.settle_s
    if state.phase is Phase.CHECKING:
        return state.waiting_since_s + state.plan.respond_s
    return None


def _ring_heard(state: State, ring: acts.RingHeard) -> State:
    others = tuple(other for other in state.heard if other.ring_id != ring.ring_id)
    state = _with_gain(replace(state, heard=(*others, ring)), ring.floor_db)
    if state.phase in (Phase.FINISHED, Phase.ADVISED):
        return state
    if rings_many_at_once(state):
        return advised(state, Reason.MANY_AT_ONCE)
    if state.phase is Phase.LISTENING:
        return state if ring.ring_id in state.skipped else instructed(state, ring)
    if state.ring is not None and is_same_ring(state.ring.frequency_hz, ring.frequency_hz):
        held = replace(
            state.ring,
            is_sounding=True,
            is_lost=False,
            level_dbfs=ring.level_dbfs,
            growth_db_per_s=ring.growth_db_per_s,
        )
        return replace(state, ring=held)
    return state


def _ring_gone(state: State, gone: acts.RingGone) -> State:
    left = tuple(ring for ring in state.heard if ring.ring_id != gone.ring_id)
    state = replace(state, heard=left, skipped=state.skipped - {gone.ring_id})
    held = state.ring
    if held is None or not held.is_sounding or state.phase is Phase.FINISHED:
        return state
    if any(is_same_ring(ring.frequency_hz, held.frequency_hz) for ring in left):
        return state
    state = replace(state, ring=replace(held, is_sounding=False), waiting_since_s=state.time_s)
    return _next(with_cleared(state)) if state.phase is Phase.CHECKING else state


def _interrupted(state: State, _entry: acts.Interrupted) -> State:
    """Forget what sounded; an instruction stays, and only its person can say what became of it."""
    state = replace(state, heard=(), skipped=frozenset())
    held = state.ring
    if held is None or state.phase is Phase.FINISHED:
        return state
    state = replace(state, ring=replace(held, is_sounding=False, is_lost=True))
    return _next(state) if state.phase is Phase.CHECKING else state


def _time_up(state: State, _entry: acts.TimeUp) -> State:
    due = due_s(state)
    if due is None or state.time_s < due - 1e-9:
        return state
    if state.phase is Phase.PULL:
        return _next(counted(state, state.pulls, has_cleared=True))
    return told_again(state)


def _made(state: State, _entry: acts.Made) -> State:
    if state.phase is not Phase.PULL:
        return state
    return _pulled(state, counted(state, state.pulls, has_cleared=_has_cleared(state)))


def _corrected(state: State, entry: acts.Corrected) -> State:
    pulls = corrected_pulls(state, entry.faders)
    if state.phase is Phase.FINISHED:
        return state
    after = counted(state, pulls, has_cleared=_has_cleared(state), was_corrected=True)
    return _pulled(state, after) if state.phase is Phase.PULL else after


def _pulled(before: State, after: State) -> State:
    """Go on when the faders are where the person says."""
    if _is_over(before):
        return _next(after)
    return replace(after, phase=Phase.CHECKING, waiting_since_s=after.time_s)


def _is_over(state: State) -> bool:
    return state.ring is None or not state.ring.is_sounding


def _has_cleared(state: State) -> bool:
    return state.ring is None or state.ring.has_cleared


def _skip(state: State, _entry: acts.Skip) -> State:
    held = state.ring
    if held is None or state.phase not in (Phase.PULL, Phase.CHECKING, Phase.ADVISED):
        return state
    left_alone = {
        ring.ring_id for ring in state.heard if is_same_ring(ring.frequency_hz, held.frequency_hz)
    }
    if state.phase is Phase.PULL:
        state = counted(state, (), has_cleared=held.has_cleared)
    return _next(replace(state, skipped=state.skipped | left_alone))


def _undo(state: State, _entry: acts.Undo) -> State:
    if not state.can_undo or state.before is None:
        return state
    earlier = replace(
        state.before,
        time_s=state.time_s,
        heard=state.heard,
        skipped=state.skipped,
        raised_db=state.raised_db,
        gain_won=state.gain_won,
        first_floor_db=state.first_floor_db,
        waived=state.waived,
    )
    # A ring that has not stopped meanwhile is told by no event again.
    still = _loudest(earlier)
    return earlier if still is None else instructed(earlier, still)


def _raised(state: State, entry: acts.Raised) -> State:
    if state.phase is Phase.FINISHED:
        return state
    return replace(state, raised_db=round(state.raised_db + entry.by_db, 3))


def _gain_entered(state: State, entry: acts.GainEntered) -> State:
    return replace(state, gain_won=GainWon(entry.db, None, is_measured=False))


def _go_on(state: State, _entry: acts.GoOn) -> State:
    if state.phase is not Phase.ADVISED or state.reason is None:
        return state
    waived = state.waived | ({state.reason} & CAN_BE_WAIVED)
    return _next(replace(state, waived=waived))


def _finish(state: State, entry: acts.Finish) -> State:
    if state.phase is Phase.FINISHED:
        return state
    state = _with_gain(state, entry.floor_db)
    return replace(state, phase=Phase.FINISHED, ring=None, pulls=(), remark=None)


def _next(state: State) -> State:
    """Go to what is to be done after a ring: the next one that sounds, an end, or more gain."""
    state = replace(
        state, phase=Phase.LISTENING, ring=None, pulls=(), remark=None, reason=None, helps=()
    )
    if rings_many_at_once(state):
        return advised(state, Reason.MANY_AT_ONCE)
    loudest = _loudest(state)
    if loudest is not None:
        return instructed(state, loudest)
    reason = reason_to_stop(state)
    return state if reason is None else advised(state, reason)


def _loudest(state: State) -> acts.RingHeard | None:
    """Return the loudest ring that sounds and was not left alone."""
    waiting = [ring for ring in state.heard if ring.ring_id not in state.skipped]
    return max(waiting, key=lambda ring: ring.level_dbfs, default=None)


def _with_gain(state: State, floor_db: tuple[float, ...] | None) -> State:
    """Take a reading of the noise floor: the first one is what all later ones are held against."""
    if state.plan.tap is Tap.MIC or floor_db is None:
        return state
    if state.first_floor_db is None:
        # Later ones are no beginning: cuts and gain have moved since.
        return state if state.found else replace(state, first_floor_db=floor_db)
    if state.gain_won is not None and not state.gain_won.is_measured:
        return state
    taken = taken_per_band(state.cuts_db, state.plan)
    won = gain_between(state.first_floor_db, floor_db, taken)
    return state if won is None else replace(state, gain_won=won)


_STEPS: dict[type[Any], Callable[[State, Any], State]] = {
    acts.RingHeard: _ring_heard,
    acts.RingGone: _ring_gone,
    acts.Interrupted: _interrupted,
    acts.TimeUp: _time_up,
    acts.Made: _made,
    acts.Corrected: _corrected,
    acts.Skip: _skip,
    acts.Undo: _undo,
    acts.Raised: _raised,
    acts.GainEntered: _gain_entered,
    acts.GoOn: _go_on,
    acts.Finish: _finish,
    acts.Kept: lambda state, _entry: state,
}
