"""Who is on: by key, by clock, past midnight, and what channels are called."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from prehowl.daemon.desk.running_order import RunningOrder
from prehowl.daemon.show.order_tables import Act, ActChannel
from prehowl.daemon.show.start_times import minutes_into, minutes_of

ACTS = (
    Act("Paper Kites", "19:00", (ActChannel(1, "Ida"), ActChannel(2))),
    Act("Third Rail", "20:30"),
    Act("Late Room", "00:15", (ActChannel(1, "Gast"),)),
)


def at(text: str) -> int:
    found = minutes_of(text)
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("text", "minutes"),
    [
        ("00:00", 0),
        ("9:05", 545),
        ("23:59", 1439),
        *((bad, None) for bad in ("", "12", "12:5", "-1:00", "noon", "12:005", "24:00", "12:60")),
    ],
)
def test_times_of_day(text: str, minutes: int | None) -> None:
    """Oracle: by hand."""
    assert minutes_of(text) == minutes


def test_starts_go_on_past_midnight() -> None:
    """Oracle: by hand: 00:15 is 5 h 15 min after 19:00."""
    assert minutes_into([at("19:00"), None, at("20:30"), at("00:15")]) == (0, None, 90, 315)


def test_moves_stay_within_the_order() -> None:
    """Forward to the last and no further, back to the first and no further."""
    order = RunningOrder(ACTS)
    assert [order.move(1) for _ in range(3)] == [True, True, False]
    assert order.act is ACTS[2]
    assert order.next_act is None
    assert [order.move(-1) for _ in range(3)] == [True, True, False]
    assert (order.number, len(order), order.next_act) == (1, 3, ACTS[1])


def test_no_acts_is_no_act() -> None:
    """A show without a running order works as before."""
    order = RunningOrder()
    assert (order.act, order.number, order.move(1), order.look_at_clock(0)) == (None, 0, False, 0)
    assert order.names(["A"], [7]) == ("A",)


def test_names_are_those_of_the_act_and_else_those_of_the_show() -> None:
    """Oracle: the acts above: act 1 renames channel 1, leaves 2, and knows nothing of 3."""
    order = RunningOrder(ACTS)
    assert order.names(["Vox", "Gtr", "Keys"], [1, 2, 3]) == ("Ida", "Gtr", "Keys")
    order.move(1)
    assert order.names(["Vox", "Gtr", "Keys"], [1, 2, 3]) == ("Vox", "Gtr", "Keys")


@pytest.mark.parametrize(
    ("now", "number"),
    [
        ("18:00", 1),
        ("19:00", 1),
        ("20:29", 1),
        ("20:30", 2),
        ("23:59", 2),
        ("00:15", 3),
        ("04:00", 3),
        ("12:30", 1),
    ],
)
def test_the_first_look_finds_who_should_be_on(now: str, number: int) -> None:
    """Oracle: the starts above, by hand; before the first act it is the first."""
    order = RunningOrder(ACTS, follows_clock=True)
    order.look_at_clock(at(now))
    assert order.number == number


def test_a_start_brings_the_act_on_once() -> None:
    """The minute of the start changes the act; later looks leave a person's choice alone."""
    order = RunningOrder(ACTS, follows_clock=True)
    assert not order.look_at_clock(at("19:30"))
    assert order.look_at_clock(at("20:30"))
    assert order.number == 2
    order.move(-1)
    assert not order.look_at_clock(at("20:31"))
    assert order.number == 1


def test_a_person_who_went_on_early_is_not_sent_back() -> None:
    """Act 3 by key at 20:00; the start of act 2 passes without effect."""
    order = RunningOrder(ACTS, follows_clock=True)
    order.look_at_clock(at("20:00"))
    order.move(2)
    assert not order.look_at_clock(at("20:30"))
    assert order.number == 3


def test_without_follow_clock_time_does_nothing() -> None:
    """Oracle: the default of the show file."""
    order = RunningOrder(ACTS)
    assert not order.look_at_clock(at("23:00"))
    assert order.number == 1


@given(st.lists(st.floats(0, 1440, exclude_max=True), max_size=60))
def test_the_clock_never_goes_back(times: list[float]) -> None:
    """Property: over rising times from 18:00 on, the act's number never falls."""
    order = RunningOrder(ACTS, follows_clock=True)
    numbers = []
    for time in sorted(times):
        order.look_at_clock((at("18:00") + time / 2) % 1440)
        numbers.append(order.number)
    assert numbers == sorted(numbers)


@pytest.mark.parametrize(
    ("looks", "numbers"),
    [
        (("20:00", "00:20", "20:01", "20:30", "00:15"), [1, 3, 1, 2, 3]),  # wrong for a moment
        (("20:35", "00:20", "20:36"), [2, 3, 2]),
        (("00:20", "20:01", "20:30"), [3, 1, 2]),  # wrong from the beginning
        (("12:00", "00:20"), [1, 3]),  # no time at first: straight to who is on, not through all
        (("20:30", "20:29", "20:30"), [2, 2, 2]),  # trimmed by a minute or less
        (("00:16", "23:16", "00:15"), [3, 3, 3]),  # the end of summer time
        (("00:20", "10:00", "16:00", "19:00"), [3, 3, 3, 3]),  # the day turns: no clock was set
    ],
)
def test_a_clock_that_is_set_replays_nothing_and_skips_nothing(looks, numbers) -> None:
    """Oracle: the starts above, by hand."""
    order = RunningOrder(ACTS, follows_clock=True)
    told = []
    for look in looks:
        before = order.number
        assert order.look_at_clock(at(look)) is (order.number != before)
        told.append(order.number)
    assert told == numbers


@pytest.mark.parametrize(("steps", "number"), [(1, 3), (-1, 1)])
def test_a_clock_that_is_set_leaves_a_persons_choice(steps: int, number: int) -> None:
    """Oracle: definition. On early, or back for an encore at 20:35; then the clock is wrong for a
    moment, also by more than the time since."""
    for wrong, right in (("00:20", "20:36"), ("20:50", "19:55")):
        order = RunningOrder(ACTS, follows_clock=True)
        order.look_at_clock(at("20:35"))
        order.move(steps)
        order.look_at_clock(at(wrong))
        order.look_at_clock(at(right))
        assert order.number == number


@pytest.mark.parametrize(
    ("acts", "on", "number"),
    [
        (ACTS, 1, 2),
        ((Act("New"), *ACTS), 1, 3),  # the same act, one place later
        ((ACTS[0], Act("Swapped"), ACTS[2]), 1, 2),  # another act at its place
        ((ACTS[0],), 2, 1),  # fewer than there were
        ((), 1, 0),
    ],
)
def test_another_order_goes_on_where_the_one_before_was(acts, on: int, number: int) -> None:
    """Oracle: definition: at the act of that name, else at its place, else at the last."""
    before = RunningOrder(ACTS)
    for _ in range(on):
        before.move(1)
    after = RunningOrder(acts)
    after.go_on_from(before)
    assert after.number == number


def test_another_order_sends_nobody_back_who_went_on_early() -> None:
    """Oracle: by hand. At 20:00 a person has brought on the act of 20:30; the file is read again,
    now beginning at 18:00: the act stays on, and 00:15 brings the last."""
    before = RunningOrder(ACTS, follows_clock=True)
    before.look_at_clock(at("20:00"))
    before.move(1)
    after = RunningOrder((Act("Line check", "18:00"), *ACTS), follows_clock=True)
    after.go_on_from(before)
    assert after.act is ACTS[1]
    assert not after.look_at_clock(at("20:10"))
    assert not after.look_at_clock(at("20:31"))
    assert after.look_at_clock(at("00:15"))
    assert after.act is ACTS[2]
