"""The loop under overload, with a machine and a clock that are simulated: what is said and done."""

import itertools
from dataclasses import dataclass, field

import numpy as np
from fakes import FakeEngine, FakeSink, event, snapshot

from prehowl.daemon.attach.subscribers import Subscribers
from prehowl.daemon.loop import run_loop
from prehowl.daemon.notes import Note
from prehowl.daemon.outlets import Outlets
from prehowl.daemon.shedding import Shedder, Step
from prehowl.daemon.shedding_order import FRAMES, shedder_for, steps_for
from prehowl.daemon.sources.base import Block, SourceHealth

RATE = 48000
COST = {"long": 0.16, "main": 0.33, "brief": 0.25, "short": 0.26}


@dataclass
class World:
    """The clock of a computer on which an engine with all frames takes `load` of real time."""

    now_s: float = 500.0
    load: float = 0.3

    def seconds(self) -> float:
        """Return the time."""
        return self.now_s


@dataclass
class SlowEngine(FakeEngine):
    """Takes its time on that clock, less for every resolution that is left out."""

    world: World = field(default_factory=World)

    def feed(self, block):
        """Let the time go by; the samples themselves are nobody's business here."""
        left_out = self.left_out[-1][0] if self.left_out else ()
        cost = 1 - sum(COST[name] for name in left_out)
        self.world.now_s += self.world.load * cost * len(block) / RATE
        return []


@dataclass
class RealTimeSource:
    """Delivers in the time of that clock, keeps what is not fetched, ends after so long."""

    world: World
    seconds: float
    loads: dict[float, float]  # from which second on what load
    channels: int = 1
    rate_hz: int = RATE
    names: tuple[str, ...] = ("Vox",)
    fetched_s: float = 0.0
    worst_s: float = 0.0

    def __post_init__(self) -> None:
        self.began_s = self.world.now_s

    @property
    def backlog_s(self) -> float:
        """Return what waits."""
        return self.world.now_s - self.began_s - self.fetched_s

    def read(self):
        """Return up to 0.1 s of what has come; wait for 10 ms where nothing has."""
        passed_s = self.world.now_s - self.began_s
        self.world.load = [load for at, load in self.loads.items() if passed_s >= at][-1]
        if passed_s >= self.seconds:
            return None
        self.worst_s = max(self.worst_s, self.backlog_s)
        if self.backlog_s < 0.01:
            self.world.now_s += 0.01
        count = round(min(self.backlog_s, 0.1) * RATE)
        self.fetched_s += count / RATE
        return Block(np.full((count, 1), 0.1, np.float32))

    def health(self):
        """Return the state with what waits."""
        return SourceHealth(backlog_s=self.backlog_s)

    def close(self):
        """Do nothing."""


class Noting(FakeSink):
    """Keeps notes as well."""

    def __init__(self) -> None:
        super().__init__()
        self.notes: list[Note] = []

    def on_note(self, note: Note) -> None:
        """Keep one."""
        self.notes.append(note)


class Screen:
    """Keeps what it was asked."""

    def __init__(self) -> None:
        self.asked: list[bool] = []

    def draw_slowly(self, is_slow: bool) -> None:
        """Keep it."""
        self.asked.append(is_slow)


def test_overload_is_met_in_order_told_everywhere_and_undone():
    """Oracles: the stated order; by hand: a load of 1.5 needs the first three steps (0.59 of it
    is left), one of 0.4 none. No sound waits longer than a device keeps it (1.75 s)."""
    world, screen, sink = World(), Screen(), Noting()
    engine = SlowEngine(world=world)
    shedder = shedder_for(engine, [screen], channels=8, references=0)
    outlets = Outlets(lambda _text: None)
    outlets.add(sink, "output")
    outlets.tell_facts(shedder.facts)
    source = RealTimeSource(world, 120.0, {0: 0.4, 20: 1.5, 50: 0.4})
    run_loop(
        source,
        engine,
        outlets.sinks,
        names=["Vox"],
        complete_health=outlets.completed,
        shedder=shedder,
        clock=world.seconds,
    )
    assert [asked for asked, _ in engine.left_out] == [
        (),
        ("long",),
        ("long", "brief"),
        ("long",),
        (),
        (),
    ]
    assert screen.asked[0] is True
    assert screen.asked[-1] is False
    assert source.worst_s < 1.75
    assert [note.verb for note in sink.notes] == ["shed"] * 6
    assert all(note.by == "load" for note in sink.notes)
    assert sink.notes[1].effect == "too slow: long frames left out, rings under 55 Hz are missed"
    assert sink.notes[3].effect == "room again: brief frames taken up"
    assert sink.notes[5].effect.endswith("all is done again")
    levels = [shot.health.shed_level for shot in sink.snapshots]
    assert max(levels) == 3
    assert levels[0] == levels[-1] == 0
    worst = next(shot for shot in sink.snapshots if shot.health.shed_level == 3)
    assert [fact.text.split(" left out")[0] for fact in worst.health.troubles] == [
        "too slow: brief frames",
        "too slow: long frames",
        "too slow: screens at full pace",
    ]
    assert sink.snapshots[-1].health.troubles == ()
    busy = [shot.health.load for shot in sink.snapshots if 25 < shot.time_s < 28]
    assert 0.6 < np.mean(busy) < 1.0


def test_references_come_last_and_only_where_there_are_any():
    """Oracle: the stated order; shares of all work never add up to more than all."""
    engine = FakeEngine()
    none = shedder_for(engine, [], channels=8, references=0)
    some = shedder_for(engine, [Screen()], channels=8, references=4)
    assert [step.what for step in none.steps] == [step.what for _, step in FRAMES]
    assert some.steps[-1].what == "reference channels"
    assert sum(step.saves for step in some.steps) < 1
    some.apply(len(some.steps))
    assert engine.left_out[-1] == (("long", "brief", "short"), True)
    some.apply(len(some.steps) - 1)
    assert engine.left_out[-1] == (("long", "brief", "short"), False)


def test_the_order_follows_the_reference_channels():
    """Oracle: definition. One that comes by a reload can be given up, too; where the last one went
    while it was left out, the rest stays left out."""
    levels: list[int] = []
    none, some = (steps_for(screens=False, channels=8, references=n) for n in (0, 2))
    shedder = Shedder(none, levels.append)
    now_s = itertools.count(step=0.1)

    def overloaded() -> int:
        for _ in range(200):
            shedder.look(next(now_s), 1.0, 2.0, 0.1)
        return shedder.level

    assert overloaded() == len(none)
    shedder.take_steps(some)
    assert shedder.level == len(none)
    assert overloaded() == len(some) == len(none) + 1
    assert shedder.facts()[0].text == "too slow: reference channels left out, music may be alarmed"
    shedder.take_steps(none)
    assert shedder.level == levels[-1] == len(none)
    assert len(shedder.facts()) == len(none)


def test_nothing_is_said_while_all_is_well():
    """Oracle: definition."""
    shedder = Shedder([Step("a", "b", 0.5)], lambda _level: None)
    assert [shedder.look(n / 10, 0.0, 0.3, 0.1) for n in range(100)] == [""] * 100
    assert shedder.facts() == ()


def test_attached_screens_are_served_less_often(monkeypatch):
    """Oracle: definition, by a clock that is moved by hand: views every 0.2 s, then every 0.5 s."""
    sink = Subscribers(title="", version="1", numbers=(1,), names=("a",), answer=lambda *_: True)
    sink._subscribe(("127.0.0.1", 1), 1e9, "desk")
    sent: list[float] = []
    monkeypatch.setattr(sink, "_tell", lambda packets: sent.append(now[0]))
    now = [0.0]

    def run(seconds: float) -> int:
        sent.clear()
        for _ in range(round(seconds * 64)):
            now[0] += 1 / 64
            sink.on_snapshot(snapshot(rings=[event()]))
            sink._show_at_s = 1e9  # only views are counted
            sink._tell_show_and_view(now[0])
        return len(sent)

    assert 48 <= run(10) <= 51
    sink.draw_slowly(True)
    assert 19 <= run(10) <= 21
    sink.draw_slowly(False)
    assert 48 <= run(10) <= 51
