"""The state table of a ring, written out once more by hand."""

import itertools

import pytest

from prehowl.detectors.rings import MOVES, RingState, move

ALLOWED = {
    (None, "suspect"), (None, "ringing"), ("suspect", "ringing"), ("suspect", "cleared"),
    ("ringing", "howling"), ("ringing", "cleared"), ("howling", "cleared"),
}  # fmt: skip
"""Every move there is: a ring is first seen as a suspect or at once as an alarm, never as a howl;
it does not go back, and cleared is the end of its id."""

STATES = [None, *RingState]


@pytest.mark.parametrize(("state", "to"), list(itertools.product(STATES, RingState)))
def test_a_move_is_allowed_or_refused_as_in_the_table(state, to):
    """Oracle: the hand-written table; all 20 pairs."""
    if (state, to.value) in ALLOWED:
        assert move(state, to) is to
    else:
        with pytest.raises(ValueError, match=f"cannot move from {state} to {to}; allowed: "):
            move(state, to)


def test_the_states_are_the_four_words_of_the_events():
    """Oracle: the event contract; people and controllers compare with these words."""
    assert [state.value for state in RingState] == ["suspect", "ringing", "howling", "cleared"]
    assert f"{RingState.HOWLING}" == "howling"


def test_the_table_knows_every_state_and_ends_in_cleared():
    """Oracle: definition: every state can end, only cleared is an end, nothing leads nowhere."""
    assert set(MOVES) == set(STATES)
    assert [state for state, to in MOVES.items() if not to] == [RingState.CLEARED]
    for state, to in MOVES.items():
        assert state is None or state is RingState.CLEARED or RingState.CLEARED in to


def test_a_refusal_names_what_is_allowed():
    """Oracle: the documented message."""
    with pytest.raises(ValueError, match="allowed: cleared, ringing"):
        move(RingState.SUSPECT, RingState.HOWLING)
    with pytest.raises(ValueError, match="allowed: nothing"):
        move(RingState.CLEARED, RingState.SUSPECT)
