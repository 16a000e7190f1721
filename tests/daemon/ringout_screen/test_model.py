"""Keys of the ring-out: what each means at the moment it is pressed."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from prehowl.daemon.ringout import acts
from prehowl.daemon.ringout.session import begin as begin_ringout
from prehowl.daemon.ringout.session import step
from prehowl.daemon.ringout.state import Phase, Plan, Pull
from prehowl.daemon.sinks.dashboard.keys import actions_of
from prehowl.daemon.sinks.ringout import examples
from prehowl.daemon.sinks.ringout.draft import DEEPEST_DB, begin, edited
from prehowl.daemon.sinks.ringout.keys import KEYS, hints
from prehowl.daemon.sinks.ringout.model import CONFIRM_S, SETTLE_S, Model

NOW_S = 100.0


def typed(moment, keys, *, now_s=NOW_S):
    """Type into a moment that has been on the screen for four seconds; return acts and leaving."""
    model = examples.moment(moment, now_s=now_s)
    pressed = [model.press(action, now_s) for action in actions_of(keys, KEYS)]
    return [act for act, _ in pressed if act is not None], any(left for _, left in pressed)


@pytest.mark.parametrize(
    ("moment", "keys", "wanted"),
    [
        ("pull", "\r", [acts.Made(0.0)]),
        ("pull", "x", [acts.Skip(0.0)]),
        ("pull", "\x1b[B\r", [acts.Corrected(0.0, ((2500, 5.5),))]),
        ("pull", "--+\r", [acts.Corrected(0.0, ((2500, 5.5),))]),
        ("pull", "-+\r", [acts.Made(0.0)]),
        ("pull", "\x1b[C\r", [acts.Corrected(0.0, ((2500, 3.0), (3150, 2.0)))]),
        ("pull", "\x1b[D\x1b[C\r", [acts.Made(0.0)]),
        ("between", "-\r", [acts.Corrected(0.0, ((10000, 2.5), (12500, 1.5)))]),
        ("between", "\t-\r", [acts.Corrected(0.0, ((10000, 2.0), (12500, 2.0)))]),
        ("between", "\x1bOC\r", [acts.Corrected(0.0, ((10000, 0.0), (12500, 1.5), (16000, 2.0)))]),
        ("advised", "\r", [acts.GoOn(0.0)]),
        ("listening", "\r", []),
        ("listening", "x", []),
        ("checking", "\r", []),
        ("listening", "u", [acts.Undo(0.0)]),
        ("listening", "gGl", [acts.Raised(0.0, 1.0)] * 2 + [acts.Raised(0.0, -1.0)]),
        ("listening", "w5.5\r", [acts.GainEntered(0.0, 5.5)]),
        ("listening", "w16\x7f\r", [acts.GainEntered(0.0, 1.0)]),
        ("listening", "w\r", []),
        ("listening", "w.\r", []),
        ("listening", "w1.2.\r", []),
        ("listening", "w99\r", []),
        ("listening", "w5u5\r", []),
        ("listening", "5\r", []),
        ("pull", "w5\r\r", [acts.GainEntered(0.0, 5.0), acts.Made(0.0)]),
        ("pull", "f", []),
        ("pull", "ff", [acts.Finish(0.0)]),
        ("pull", "fxf", [acts.Skip(0.0)]),
        ("finished", "ugx", []),
        ("pull", "\x1b[1;5A", []),
    ],
)
def test_what_is_typed_becomes_acts(moment, keys, wanted):
    """Each row: a moment, keys as a terminal sends them (ECMA-48, from memory), the acts."""
    assert typed(moment, keys) == (wanted, False)


@pytest.mark.parametrize(
    ("moment", "keys", "has_left"),
    [
        ("pull", "q", False),
        ("pull", "qq", True),
        ("pull", "qfq", False),
        ("finished", "\r", True),
        ("finished", "q", True),
    ],
)
def test_leaving_takes_two_presses_until_it_is_done(moment, keys, has_left):
    """One slip on `q` does nothing while the ring-out runs; in the summary one key is enough."""
    assert typed(moment, keys)[1] is has_left


def test_a_second_press_may_not_be_late():
    """After three seconds `f` is a first press again; and the screen said so meanwhile."""
    model = examples.moment("pull", now_s=NOW_S)
    assert model.press("finish", NOW_S) == (None, False)
    assert model.view(NOW_S + CONFIRM_S).asked == "finish"
    late = NOW_S + CONFIRM_S + 0.01
    assert model.view(late).asked == ""
    assert model.press("finish", late) == (None, False)
    assert model.press("finish", late + CONFIRM_S)[0] == acts.Finish(0.0)


def test_a_hand_on_its_way_cannot_confirm_what_it_has_not_read():
    """A new instruction takes no answer for half a second, whichever key; then it does."""
    model = examples.moment("listening", now_s=NOW_S)
    model.take_state(examples.state("pull"), NOW_S)
    for action in ("confirm", "skip"):
        assert model.press(action, NOW_S + SETTLE_S / 2) == (None, False)
    assert model.press("confirm", NOW_S + SETTLE_S)[0] == acts.Made(0.0)


def test_a_draft_does_not_outlive_its_instruction():
    """What was typed for one ring is gone when the next instruction stands there."""
    model = examples.moment("pull", now_s=NOW_S)
    model.press("further", NOW_S)
    assert model.view(NOW_S).draft.is_changed
    model.take_state(replace(examples.state("pull"), time_s=151.0), NOW_S)
    assert model.view(NOW_S).draft.is_changed
    model.take_state(examples.state("between"), NOW_S)
    assert not model.view(NOW_S).draft.is_changed


def test_typing_is_given_up_when_an_instruction_comes():
    """Whoever types a figure while it begins to ring means the ring with the next return."""
    model = examples.moment("listening", now_s=NOW_S)
    for action in ("won", "7"):
        model.press(action, NOW_S)
    assert "GAIN WON: 7_ dB" in hints(model.view(NOW_S))
    model.take_state(examples.state("pull"), NOW_S)
    assert model.view(NOW_S).typed is None
    assert model.press("confirm", NOW_S + SETTLE_S)[0] == acts.Made(0.0)


def test_nothing_is_asked_before_the_first_state():
    """Keys before the ring-out has begun make no acts; leaving works."""
    model = Model("", 0)
    assert model.press("confirm", NOW_S) == (None, False)
    assert model.press("finish", NOW_S) == (None, False)
    assert [model.press("quit", NOW_S)[1] for _ in range(2)] == [False, True]


@settings(deadline=None)
@given(
    st.lists(st.sampled_from(["further", "less", "lower", "higher", "other"]), max_size=60),
    st.sampled_from(["pull", "between"]),
)
def test_a_draft_is_always_something_a_hand_can_do(keys, moment):
    """Property: no band twice, no fader above 0 or below the deepest, on the grid of the step."""
    state = examples.state(moment)
    draft = begin(state.pulls)
    for key in keys:
        draft = edited(draft, key, state)
    bands = [pull.band_hz for pull in draft.faders]
    assert len(set(bands)) == len(bands) == len(state.pulls)
    for pull in draft.faders:
        assert 0 <= pull.to_db <= DEEPEST_DB
        assert (pull.to_db / state.plan.step_db) % 1 == 0
    told = dict(draft.told())
    assert set(told) >= set(bands)


@settings(deadline=None)
@given(st.lists(st.sampled_from(["further", "less", "lower", "higher"]), max_size=12))
def test_what_is_told_is_what_the_ring_out_counts(keys):
    """Property: after the correction the faders of the ring-out stand where the screen said.

    The ring-out itself is the oracle (`session.step`).
    """
    state = begin_ringout(Plan())
    state = step(state, acts.RingHeard(1.0, 1, 2513.0, -20.0, 30.0, -0.2))
    assert state.phase is Phase.PULL
    draft = begin(state.pulls)
    for key in keys:
        draft = edited(draft, key, state)
    after = step(state, acts.Corrected(2.0, draft.told()))
    wanted = {pull.band_hz: pull.to_db for pull in draft.faders if pull.to_db}
    from prehowl.detectors.bands import NOMINAL_HZ

    counted = {band: cut for band, cut in zip(NOMINAL_HZ, after.cuts_db, strict=True) if cut}
    assert counted == wanted


def test_keys_that_are_shown_exist_and_do_something():
    """Every capital letter in a hint is a key; two in a row mean twice."""
    for moment in examples.MOMENTS:
        for hint in hints(examples.moment(moment).view(NOW_S)):
            word = hint.split()[0]
            if word in ("RETURN", "UP/DOWN", "LEFT/RIGHT", "TAB"):  # keys without a letter
                continue
            for letter in set(word.replace("/", "")):
                assert letter.lower() in KEYS, hint


def test_a_cap_beyond_the_usual_range_is_kept():
    """A plan that lets a fader go to -20 lets the person say so; without a fader nothing moves."""
    state = examples.state("pull")
    state = replace(state, plan=replace(state.plan, cap_db=20.0))
    draft = begin((Pull(2500, 2.0, 19.5),))
    for _ in range(5):
        draft = edited(draft, "further", state)
    assert draft.faders[0].to_db == 20.0
    assert edited(begin(()), "further", state) == begin(())
