"""The ring-out as a state machine: what is told, counted, taken back, and when it says stop."""

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from prehowl.daemon.ringout import acts
from prehowl.daemon.ringout.advice import advise, attenuation_db
from prehowl.daemon.ringout.session import begin, due_s, fold, step
from prehowl.daemon.ringout.state import FLAT, Help, Phase, Plan, Reason, Remark, State, Tap
from prehowl.daemon.ringout.when_to_stop import HELPS
from prehowl.detectors.bands import NOMINAL_HZ
from prehowl.detectors.graphic_eq import EqKind

PLAN = Plan()


def heard(time_s: float, ring_id: int, hertz: float, **more: float) -> acts.RingHeard:
    values = {"level_dbfs": -20.0, "growth_db_per_s": 30.0, "margin_db": -0.2, **more}
    return acts.RingHeard(time_s, ring_id, hertz, **values)  # type: ignore[arg-type]


def after(*entries: acts.Entry, plan: Plan = PLAN) -> State:
    return fold(plan, entries)


def test_a_ring_is_held_with_its_instruction_long_after_it_has_stopped() -> None:
    """Oracle: the task. Sound stops; frequency, fader and amount stay until they are dealt with."""
    state = after(heard(1.0, 1, 2513.0), acts.RingGone(1.5, 1))
    assert state.phase is Phase.PULL
    assert state.ring is not None
    assert not state.ring.is_sounding
    assert state.ring.frequency_hz == 2513.0
    assert [(pull.band_hz, pull.to_db) for pull in state.pulls] == [(2500, 3.0)]
    assert state.remark is Remark.FIRST


def test_a_ring_that_clears_counts_as_pulled_after_the_settling_time_and_no_sooner() -> None:
    """Oracle: the plan's settling time."""
    gone = after(heard(1.0, 1, 2513.0), acts.RingGone(1.5, 1))
    assert due_s(gone) == 1.5 + PLAN.settle_s
    early = step(gone, acts.TimeUp(1.5 + PLAN.settle_s - 0.1))
    assert early.phase is Phase.PULL
    counted = step(gone, acts.TimeUp(1.5 + PLAN.settle_s))
    assert counted.phase is Phase.LISTENING
    assert counted.cuts_db[NOMINAL_HZ.index(2500)] == 3.0
    assert counted.last is not None
    assert counted.last.has_cleared


@pytest.mark.parametrize("hertz", [2239.0, 890.0, 3548.0])
def test_between_two_faders_both_move(hertz: float) -> None:
    """Oracle: common practice, no source: a ring midway (IEC 61260-1 band edge) takes both faders,
    about alike, and together they bring what is wanted there (graphic response, W3C cookbook).
    """
    pulls = advise(hertz, 3.0, FLAT, PLAN)
    assert len(pulls) == 2
    assert abs(pulls[0].by_db - pulls[1].by_db) <= 1.0  # two fader steps
    cuts = [0.0] * 31
    for pull in pulls:
        cuts[NOMINAL_HZ.index(pull.band_hz)] = pull.to_db
    assert attenuation_db(cuts, hertz, EqKind.CONSTANT_Q) == pytest.approx(3.0, abs=0.4)


@pytest.mark.parametrize(("hertz", "band"), [(6300, 6300), (4000, 4000), (63, 63), (1950, 2000)])
def test_what_an_engineer_calls_it_is_the_fader_they_reach_for(hertz: float, band: float) -> None:
    """Oracle: common practice, no source: 6.3 k, 4 k, 63, 'just below 2 k'; 2-4 dB are usual."""
    (pull,) = advise(hertz, PLAN.pull_db, FLAT, PLAN)
    assert pull.band_hz == band
    assert 2.0 <= pull.by_db <= 4.0


def test_made_while_it_sounds_is_checked_and_then_asked_for_again() -> None:
    """Oracle: the task: pulled as told, rings on: a further step, then the neighbours, then it is
    said honestly that it does not respond, and whether this is the right equaliser.
    """
    state = after(heard(1.0, 1, 2513.0), acts.Made(2.0))
    assert state.phase is Phase.CHECKING
    remarks, bands = [], []
    while state.phase is not Phase.ADVISED:
        due = due_s(state)
        assert due is not None
        state = step(state, acts.TimeUp(due))
        if state.phase is Phase.PULL:
            remarks.append(state.remark)
            bands.append(state.pulls[0].band_hz)
            state = step(state, acts.Made(due))
    assert remarks == [Remark.STILL, Remark.NEIGHBOUR, Remark.NEIGHBOUR]
    assert bands == [2500, 3150, 2000]
    assert state.reason is Reason.NO_RESPONSE
    assert Help.RIGHT_EQUALISER in state.helps
    assert len(state.found) == 1
    assert not state.found[0].has_cleared


def test_a_ring_that_comes_back_at_the_same_gain_was_not_held() -> None:
    """Oracle: hand-worked. The floor has not risen although the fader took 3 dB: UNMOVED. Risen by
    3 dB, the same ring is only one that comes AGAIN.
    """
    floor = tuple([-60.0] * 31)
    first = after(heard(1.0, 1, 2513.0, floor_db=floor), acts.Made(2.0), acts.RingGone(2.1, 1))  # type: ignore[arg-type]
    same = step(first, heard(9.0, 2, 2512.0, floor_db=floor))  # type: ignore[arg-type]
    assert same.remark is Remark.UNMOVED
    louder = tuple([-57.0] * 31)
    risen = step(first, heard(9.0, 2, 2512.0, floor_db=louder))  # type: ignore[arg-type]
    assert risen.remark is Remark.AGAIN
    assert risen.gain_won is not None
    assert risen.gain_won.db == pytest.approx(3.0, abs=0.01)


def test_more_than_three_bands_at_once_is_a_stop_and_harmonics_are_not_counted() -> None:
    """Oracle: common practice, no source; a limited howl of 500 Hz brings 1, 1.5 and 2 kHz."""
    rings = [heard(1.0 + n / 10, n, hertz) for n, hertz in enumerate((500, 1000, 1500, 2000), 1)]
    assert after(*rings).phase is Phase.PULL
    rings = [heard(1.0 + n / 10, n, hertz) for n, hertz in enumerate((510, 830, 1900, 3500), 1)]
    state = after(*rings)
    assert state.reason is Reason.MANY_AT_ONCE
    assert state.helps[0] is Help.LEVEL
    assert Help.FEWER_OPEN_MICS in state.helps


def rung(state: State, hertz: float, ring_id: int) -> State:
    at = state.time_s + 5
    state = step(state, heard(at, ring_id, hertz))
    state = step(state, acts.Made(at + 1))
    return step(state, acts.RingGone(at + 1.2, ring_id))


def test_the_same_band_past_its_cap_is_a_stop() -> None:
    """Oracle: the plan's cap; no instruction ever asks for more."""
    plan = replace(PLAN, costly_db=20.0)
    state = begin(plan)
    for ring_id in range(1, 20):
        state = rung(state, 2513.0, ring_id)
        if state.phase is Phase.ADVISED:
            break
    assert state.reason in (Reason.AT_CAP, Reason.PILED_UP)
    assert max(state.cuts_db) <= plan.cap_db
    assert Help.MIC_ANGLE in state.helps


def test_cuts_side_by_side_are_a_stop_that_may_be_overruled() -> None:
    """Oracle: hand-worked: three neighbours at 5 dB of a cap of 6.5."""
    state = step(begin(PLAN), acts.Corrected(1.0, ((2000, 5.0), (2500, 5.0), (3150, 5.0))))
    state = rung(state, 400.0, 1)
    assert state.reason is Reason.PILED_UP
    on = step(state, acts.GoOn(20.0))
    assert on.phase is Phase.LISTENING
    assert rung(on, 125.0, 2).phase is Phase.LISTENING


def test_a_sheet_that_costs_too_much_is_a_stop() -> None:
    """Oracle: definition: the loss on pink noise is over the plan's figure."""
    spread = tuple((NOMINAL_HZ[band], 4.0) for band in range(2, 29, 2))
    state = step(begin(PLAN), acts.Corrected(1.0, spread))
    assert rung(state, 100.0, 1).reason is Reason.COSTLY


def test_undo_takes_back_one_cut_after_the_other() -> None:
    """Oracle: definition: the faders are what they were, and the list is shorter by one."""
    one = rung(begin(PLAN), 2513.0, 1)
    two = rung(one, 400.0, 2)
    assert len(two.found) == 2
    back = step(two, acts.Undo(100.0))
    assert back.cuts_db == one.cuts_db
    assert back.found == one.found
    flat = step(back, acts.Undo(101.0))
    assert flat.cuts_db == FLAT
    assert not flat.can_undo
    assert step(flat, acts.Undo(102.0)) == replace(flat, time_s=102.0)


def test_undo_while_the_ring_still_sounds_asks_for_it_again() -> None:
    """It did not stop for the cut that is taken back, so no event will tell of it again."""
    state = after(heard(1.0, 1, 2513.0), acts.Corrected(1.1, ((2500.0, -2.0),)))
    assert state.phase is Phase.CHECKING
    back = step(state, acts.Undo(1.2))
    assert back.cuts_db == FLAT
    assert back.phase is Phase.PULL
    assert back.ring is not None
    assert back.ring.frequency_hz == 2513.0
    gone = step(step(state, acts.RingGone(1.15, 1)), acts.Undo(1.2))
    assert gone.phase is Phase.LISTENING


def test_a_skipped_ring_leaves_the_faders_and_is_noted() -> None:
    """Oracle: definition."""
    state = after(heard(1.0, 1, 2513.0), acts.Skip(2.0))
    assert state.cuts_db == FLAT
    assert state.phase is Phase.LISTENING
    assert state.found[0].pulls == ()
    again = step(state, heard(3.0, 1, 2513.0))
    assert again.phase is Phase.LISTENING


def test_a_correction_counts_in_place_of_the_instruction() -> None:
    """Oracle: definition: the fader stands where the person says."""
    state = after(heard(1.0, 1, 2513.0), acts.Corrected(2.0, ((3150.0, 2.0),)))
    assert state.cuts_db[NOMINAL_HZ.index(3150)] == 2.0
    assert state.cuts_db[NOMINAL_HZ.index(2500)] == 0.0
    assert state.found[0].was_corrected


def test_gain_can_be_entered_and_a_microphone_tap_measures_none() -> None:
    """Oracle: definition: an entered figure has no uncertainty and is not overwritten."""
    floor = tuple([-60.0] * 31)
    mic = replace(PLAN, tap=Tap.MIC)
    state = after(heard(1.0, 1, 500.0, floor_db=floor), acts.Finish(9.0, floor), plan=mic)  # type: ignore[arg-type]
    assert state.gain_won is None
    state = after(acts.GainEntered(1.0, 5.5), acts.Finish(9.0, floor))
    assert state.gain_won is not None
    assert (state.gain_won.db, state.gain_won.is_measured) == (5.5, False)


def test_every_reason_to_stop_knows_what_helps_or_needs_nothing() -> None:
    """Oracle: definition: only 'enough' needs no help."""
    assert set(HELPS) == set(Reason)
    assert [reason for reason, helps in HELPS.items() if not helps] == [Reason.ENOUGH]


TIMES = st.floats(0, 100)
HERTZ = st.floats(40, 15000).map(lambda hertz: round(hertz, 1))
IDS = st.integers(1, 6)
ENTRIES = st.one_of(
    st.builds(heard, TIMES, IDS, HERTZ),
    st.builds(acts.RingGone, TIMES, IDS),
    st.builds(acts.Interrupted, TIMES),
    st.builds(acts.TimeUp, TIMES),
    st.builds(acts.Made, TIMES),
    st.builds(acts.Skip, TIMES),
    st.builds(acts.Undo, TIMES),
    st.builds(acts.GoOn, TIMES),
    st.builds(acts.Raised, TIMES, st.sampled_from([-1.0, 0.5, 1.0])),
)


@settings(max_examples=40, deadline=None)
@given(st.lists(ENTRIES, max_size=25))
def test_whatever_comes_the_state_stays_sound(entries: list[acts.Entry]) -> None:
    """Oracle: properties. Time never runs back; cuts stay within 0..cap on the fader's grid; an
    instruction stands exactly in PULL; found is numbered in order; the same entries make the same.
    """
    state = begin(PLAN)
    for entry in entries:
        new = step(state, entry)
        assert new.time_s >= state.time_s
        state = new
        assert all(0 <= cut <= PLAN.cap_db for cut in state.cuts_db)
        assert all(math.isclose(cut * 2, round(cut * 2)) for cut in state.cuts_db)
        assert bool(state.pulls) == (state.phase in (Phase.PULL, Phase.CHECKING))
        assert (state.reason is not None) == (state.phase is Phase.ADVISED)
        assert [found.order for found in state.found] == list(range(1, len(state.found) + 1))
    assert fold(PLAN, entries) == state
