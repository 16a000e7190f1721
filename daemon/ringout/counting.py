"""Counting a cut: faders, the list of what was found, and the way back."""

from dataclasses import replace

from prehowl.daemon.ringout.advice import is_same_ring
from prehowl.daemon.ringout.state import Found, HeldRing, Phase, Pull, State
from prehowl.detectors.bands import NOMINAL_HZ


def counted(
    state: State, pulls: tuple[Pull, ...], *, has_cleared: bool, was_corrected: bool = False
) -> State:
    """Return the state with the pulls counted for the ring that is held.

    Undo leads back to the state as it was before, without the instruction: whoever takes a cut
    back puts the fader back, and the next ring brings the next instruction.
    """
    cuts = list(state.cuts_db)
    for pull in pulls:
        cuts[NOMINAL_HZ.index(pull.band_hz)] = pull.to_db
    found = (
        state.found
        if state.ring is None
        else _noted(state, state.ring, pulls, has_cleared, was_corrected)
    )
    return replace(
        state,
        cuts_db=tuple(cuts),
        found=found,
        last=found[-1] if found else None,
        before=replace(
            state, phase=Phase.LISTENING, ring=None, pulls=(), remark=None, reason=None, helps=()
        ),
    )


def corrected_pulls(state: State, faders: tuple[tuple[float, float], ...]) -> tuple[Pull, ...]:
    """Return what the person moved, as pulls; a fader that was put back counts below zero."""
    pulls = []
    for band_hz, to_db in faders:
        by_db = to_db - state.cuts_db[NOMINAL_HZ.index(band_hz)]
        if by_db:
            pulls.append(Pull(band_hz, round(by_db, 3), round(to_db, 3)))
    return tuple(pulls)


def with_cleared(state: State) -> State:
    """Return the state with the ring that was counted last marked as gone."""
    if not state.found:
        return state
    last = replace(state.found[-1], has_cleared=True)
    return replace(state, found=(*state.found[:-1], last), last=last)


def _noted(
    state: State, ring: HeldRing, pulls: tuple[Pull, ...], has_cleared: bool, was_corrected: bool
) -> tuple[Found, ...]:
    """Add to the list; further pulls for a ring that still sounds join its line."""
    earlier = state.found[-1] if state.found else None
    if (
        earlier is not None
        and not earlier.has_cleared
        and earlier.pulls
        and is_same_ring(earlier.frequency_hz, ring.frequency_hz)
    ):
        joined = replace(
            earlier,
            pulls=(*earlier.pulls, *pulls),
            has_cleared=has_cleared,
            was_corrected=earlier.was_corrected or was_corrected,
            tries=ring.tries,
        )
        return (*state.found[:-1], joined)
    entry = Found(
        order=len(state.found) + 1,
        time_s=ring.since_s,
        frequency_hz=ring.frequency_hz,
        band_hz=ring.band_hz,
        pulls=pulls,
        has_cleared=has_cleared,
        was_corrected=was_corrected,
        gain_db=ring.gain_db,
        attenuation_db=ring.attenuation_db,
        tries=ring.tries,
        at=ring.at,
    )
    return (*state.found, entry)
