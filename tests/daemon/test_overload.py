"""How much to leave out: by properties, with a simulated machine and clock."""

from dataclasses import dataclass, field
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from prehowl.daemon.overload import HOLD_S, LONGEST_HOLD_S, WARM_UP_S, Overload

COSTS = (1.0, 0.95, 0.75, 0.5, 0.4)
LAST = len(COSTS) - 1
LOOK_S = 0.1


@dataclass
class Machine:
    """A computer that takes `load` seconds for a second of sound when nothing is left out.

    It works off a backlog as fast as it can and never does ahead. `true_costs` are what the levels
    really cost there, which may be other than the decision believes.
    """

    load: float
    true_costs: tuple[float, ...] = COSTS
    backlog_s: float = 0.0
    now_s: float = 1000.0
    most_backlog_s: float = 1.75  # what a device keeps; older sound is lost
    overload: Overload = field(default_factory=lambda: Overload(COSTS))
    levels: list[tuple[float, int]] = field(default_factory=list)  # every change, with its time

    def __post_init__(self) -> None:
        # Some idle seconds first: at the very beginning nothing is given up.
        load, self.load = self.load, 0.1
        self.run(WARM_UP_S + 1)
        self.load, self.now_s = load, 1000.0

    def run(self, seconds: float) -> "Machine":
        """Let time go by."""
        until_s = self.now_s + seconds
        while self.now_s < until_s:
            before = self.overload.level
            share = self.load * self.true_costs[before]
            took_s = share * LOOK_S
            # Whoever has caught up waits for the next sound.
            passed_s = max(took_s, LOOK_S - self.backlog_s)
            self.backlog_s = min(self.backlog_s + passed_s - LOOK_S, self.most_backlog_s)
            self.now_s += passed_s
            level = self.overload.look(self.now_s, self.backlog_s, share, LOOK_S)
            if level != before:
                self.levels.append((self.now_s, level))
        return self

    @property
    def level(self) -> int:
        """Return the level now."""
        return self.overload.level


LOADS = st.lists(st.tuples(st.floats(0.05, 6.0), st.floats(0.1, 40.0)), min_size=1, max_size=8)


@settings(max_examples=25, deadline=None)
@given(LOADS, st.floats(0.5, 2.0))
def test_it_goes_step_by_step_and_recovers_whatever_has_been(loads, error):
    """Oracle: definition. Never out of order, never beyond the ends; all is done again within the
    longest waits after the load has gone, also where the costs were believed wrongly."""
    machine = Machine(1.0, tuple(cost**error for cost in COSTS))
    for load, seconds in loads:
        machine.load = load
        machine.run(seconds)
    path = [0, *(level for _, level in machine.levels)]
    assert all(abs(after - before) == 1 for before, after in pairwise(path))
    assert all(0 <= level <= LAST for level in path)
    machine.load = 0.3
    until_s = machine.now_s + LAST * LONGEST_HOLD_S + 60
    machine.run(10)
    while machine.level and machine.now_s < until_s:
        machine.run(10)
    assert machine.level == 0
    assert machine.backlog_s == 0


@settings(max_examples=30, deadline=None)
@given(st.floats(0.05, 5.0))
def test_under_constant_load_it_settles_and_stays(load):
    """Oracle: definition: no swing. It goes down only, to the first level that keeps up well (or
    the last), within seconds; then nothing changes any more."""
    machine = Machine(load).run(30)
    settled = machine.level
    assert [level for _, level in machine.levels] == list(range(1, settled + 1))
    keeps_up_well = [level for level, cost in enumerate(COSTS) if load * cost < 0.8]
    assert settled <= min([*keeps_up_well, LAST])
    is_on_the_edge = any(0.9 < load * cost < 1.1 for cost in COSTS)
    changes = len(machine.levels)
    machine.run(600)
    # A hair above what is possible it may take minutes to fall behind, and once is not swinging.
    assert len(machine.levels) - changes <= is_on_the_edge
    if load * COSTS[-1] < 0.95:
        assert machine.backlog_s == 0


@settings(max_examples=8, deadline=None)
@given(st.floats(1.05, 2.4), st.floats(1.2, 2.0))
def test_costs_believed_wrongly_give_ever_rarer_tries(load, error):
    """Oracle: the rule: a failed step back doubles the wait, from ten seconds to ten minutes: in
    an hour no more than 6 doublings and one try in ten minutes."""
    machine = Machine(load, tuple(cost**error for cost in COSTS)).run(3600)
    steps_back = sum(after < before for (_, before), (_, after) in pairwise(machine.levels))
    assert steps_back <= 7 + 3600 / LONGEST_HOLD_S


def test_a_machine_twice_too_slow_is_at_its_level_before_sound_is_lost():
    """Oracle: by hand: load 1.5 needs level 3 (0.75); a device's memory holds 1.75 s."""
    machine = Machine(1.5, most_backlog_s=100.0)
    worst_s = 0.0
    while machine.now_s < 1060:
        machine.run(0.1)
        worst_s = max(worst_s, machine.backlog_s)
    assert machine.level == 3
    assert worst_s < 1.75
    assert machine.levels[0][0] < 1002.0
    assert machine.backlog_s == 0


def test_the_beginning_is_nobodys_fault():
    """Oracle: the rule: two seconds of sound at five times too slow, then all is well."""
    overload = Overload(COSTS)
    for n in range(19):
        assert overload.look(1000 + n / 2, 1.5, 5.0, LOOK_S) == 0
    assert overload.look(1010, 0.0, 0.3, LOOK_S) == 0


def test_room_must_last_before_anything_comes_back_and_comes_back_one_by_one():
    """Oracle: the rule: ten seconds of room for each step."""
    machine = Machine(1.5).run(20)
    assert machine.level == 3
    machine.load, began_s = 0.5, machine.now_s
    machine.levels.clear()
    machine.run(60)
    assert [level for _, level in machine.levels] == [2, 1, 0]
    times_s = [at_s - began_s for at_s, _ in machine.levels]
    for number, at_s in enumerate(times_s, start=1):
        assert at_s == pytest.approx(number * HOLD_S, abs=1.5)


def test_a_computer_that_was_asleep_catches_up_without_leaving_anything_out():
    """Oracle: definition: the backlog is large, the one look that held the sleep seems endless,
    but at its speed all is well within seconds."""
    machine = Machine(0.6).run(10)
    machine.now_s += 5.0
    machine.backlog_s = 0.875
    machine.overload.look(machine.now_s, 0.875, 50.0, LOOK_S)
    machine.run(10)
    assert machine.levels == []
    assert machine.backlog_s == 0


def test_moments_of_trouble_leave_nothing_out():
    """Oracle: definition: half a second of ten times the work now and then, at a third of the
    machine's speed else."""
    machine = Machine(0.3)
    for _ in range(20):
        machine.load = 3.0
        machine.run(0.3)
        machine.load = 0.3
        machine.run(5)
    assert machine.levels == []
