"""Commands and what they change: the act, holds, notes, events and every sink's words."""

import io
import json
from dataclasses import replace

import numpy as np
import pytest
from fakes import FakeEngine, FakeSink, FakeSource, change, chopped, event, snapshot

from prehowl.daemon.desk.desk import NO_RINGOUT, Desk
from prehowl.daemon.desk.running_order import RunningOrder
from prehowl.daemon.loop import run_loop
from prehowl.daemon.notes import Note, NoteTaker
from prehowl.daemon.osc_in.verbs import Command, Verb
from prehowl.daemon.show.order_tables import Act, ActChannel
from prehowl.daemon.sinks.csv import CsvSink
from prehowl.daemon.sinks.dashboard.model import NOTICE_S, Model
from prehowl.daemon.sinks.dashboard.render import render
from prehowl.daemon.sinks.dashboard.themes import DARK
from prehowl.daemon.sinks.jsonl import JsonlSink
from prehowl.daemon.sinks.osc_board import ACT_KEY, WORST, act_of, make_board
from prehowl.daemon.sinks.table import TableSink
from prehowl.detectors.rings import RingState

ACTS = (Act("Paper Kites", channels=(ActChannel(2, "Ida"),)), Act("Third Rail"))


def desk(**more) -> Desk:
    return Desk(("Vox 1", "Vox 2"), (1, 2), order=RunningOrder(ACTS), **more)


def obeyed(target: Desk, *commands: Command, time_s: float = 1.0) -> list[Note]:
    for command in commands:
        target.put(command)
    return target.obey(time_s, lambda: snapshot(2, rings=[event()], time_s=time_s))


class TestActs:
    def test_next_act_changes_names_and_says_so(self) -> None:
        """Oracle: the running order above."""
        target = desk()
        assert (target.act, target.names) == ("Paper Kites", ("Vox 1", "Ida"))
        (note,) = obeyed(target, Command(Verb.NEXT_ACT, "key"))
        assert (target.act, target.names) == ("Third Rail", ("Vox 1", "Vox 2"))
        assert (note.done, note.act, note.by) == (True, "Third Rail", "key")
        assert note.effect == "act 2 of 2: Third Rail"

    def test_the_end_is_told_and_changes_nothing(self) -> None:
        """No act behind the last: the note says why."""
        target = desk()
        notes = obeyed(target, *[Command(Verb.NEXT_ACT, "key")] * 2)
        assert [note.done for note in notes] == [True, False]
        assert notes[1].effect == "Third Rail is the last act"
        plain = Desk(("A",), (1,))
        assert "no running order" in obeyed(plain, Command(Verb.NEXT_ACT, "key"))[0].effect

    def test_the_clock_is_looked_at_about_once_a_second(self) -> None:
        """A start that passes brings a note by 'clock'."""
        now = [19 * 60.0]
        acts = (Act("Paper Kites", "19:00"), Act("Third Rail", "19:30"))
        order = RunningOrder(acts, follows_clock=True)
        target = Desk(("A",), (1,), order=order, clock=lambda: now[0])
        assert obeyed(target, time_s=0.0) == []
        now[0] += 30
        assert obeyed(target, time_s=0.5) == []
        (note,) = obeyed(target, time_s=1.0)
        assert (note.verb, note.by, note.act) == ("next_act", "clock", "Third Rail")
        now[0] -= 20  # it was wrong, and is set
        (note,) = obeyed(target, time_s=2.0)
        assert (note.verb, note.by, note.act) == ("previous_act", "clock", "Paper Kites")

    def test_the_clock_is_looked_at_while_no_sound_comes(self) -> None:
        """Oracle: definition. A device is away: stream time stands, the day of a live run does
        not; a run without such seconds goes by its samples alone."""
        acts = (Act("Paper Kites", "19:00"), Act("Third Rail", "19:30"))
        minute, seconds = [19 * 60.0], [1000.0]
        live, other = (
            Desk(
                ("A",),
                (1,),
                order=RunningOrder(acts, follows_clock=True),
                clock=lambda: minute[0],
                seconds=paced_by,
            )
            for paced_by in (lambda: seconds[0], None)
        )
        for target in (live, other):
            assert obeyed(target, time_s=5.0) == []
        minute[0] += 30
        seconds[0] += 0.9
        assert obeyed(live, time_s=5.0) == []
        seconds[0] += 0.1
        (note,) = obeyed(live, time_s=5.0)
        assert (note.act, note.time_s) == ("Third Rail", 5.0)
        assert obeyed(other, time_s=5.0) == []


class TestHolds:
    def test_a_hold_ends_by_itself(self) -> None:
        """Oracle: the seconds of the command, in stream time; its end is told."""
        target = desk()
        obeyed(target, Command(Verb.HOLD, "key", channel=2, seconds=60), time_s=10.0)
        assert target.held == {2}
        assert obeyed(target, time_s=69.9) == []
        (note,) = obeyed(target, time_s=70.0)
        assert (note.by, note.channel, note.effect) == ("clock", 2, "the hold on Ida is over")
        assert target.held == frozenset()

    def test_a_hold_of_a_live_run_ends_while_no_sound_comes(self) -> None:
        """Oracle: the seconds of the command, on the clock; stream time stands."""
        seconds = [1000.0]
        target = desk(seconds=lambda: seconds[0])
        obeyed(target, Command(Verb.HOLD, "key", channel=2, seconds=60), time_s=10.0)
        seconds[0] += 59.9
        assert obeyed(target, time_s=10.0) == []
        seconds[0] += 0.1
        (note,) = obeyed(target, time_s=10.0)
        assert (note.effect, note.time_s) == ("the hold on Ida is over", 10.0)

    def test_release(self) -> None:
        """0 seconds releases; a second time it says that there was no hold."""
        target = desk()
        obeyed(target, Command(Verb.HOLD, "key", channel=2, seconds=60))
        notes = obeyed(target, *[Command(Verb.HOLD, "key", channel=2)] * 2)
        assert [note.effect for note in notes] == ["Ida is held no longer", "Ida was not held"]

    def test_a_channel_that_is_not_watched_is_refused(self) -> None:
        """Nothing is held that nobody hears."""
        (note,) = obeyed(desk(), Command(Verb.HOLD, "key", channel=9, seconds=60))
        assert (note.done, note.effect) == (False, "channel 9 is not watched here")

    def test_a_held_channel_is_never_the_worst_unless_it_howls(self) -> None:
        """Oracle: docs/osc.md; ears come first, so a howl breaks through."""
        loud, soft = event(id=1, channel=1), event(id=2, channel=2)
        assert make_board([loud, soft], (1, 2))[WORST]["/prehowl/worst/channel"] == ("i", 1)
        board = make_board([loud, soft], (1, 2), held={1})
        assert board[WORST]["/prehowl/worst/channel"] == ("i", 2)
        assert board[1]["/prehowl/channel/1/state"] == ("i", 2)
        howl = event(RingState.HOWLING, id=1, channel=1)
        board = make_board([howl, soft], (1, 2), held={1})
        assert board[WORST]["/prehowl/worst/channel"] == ("i", 1)


def test_snapshot_holds_levels_and_rings() -> None:
    """Oracle: the snapshot handed in; keys as docs/events.md."""
    (note,) = obeyed(desk(), Command(Verb.SNAPSHOT, "osc 10.0.0.1", text="Doors"))
    record = json.loads(note.json_line())
    assert record["type"] == "control"
    assert (record["name"], record["act"]) == ("Doors", "Paper Kites")
    assert [c["channel_name"] for c in record["channels"]] == ["Vox 1", "Ida"]
    assert record["channels"][0]["level_dbfs"] == -60
    assert [ring["id"] for ring in record["rings"]] == [3]


@pytest.mark.parametrize("verb", [v for v in Verb if v.startswith("ringout")])
def test_ring_out_verbs_are_refused_where_none_runs(verb: Verb) -> None:
    """A watch has no ring-out to confirm a step of, and says so."""
    (note,) = obeyed(desk(), Command(verb, "key"))
    assert (note.done, note.effect) == (False, NO_RINGOUT)


class NotedSink(FakeSink):
    """A sink that takes notes as well."""

    def __init__(self) -> None:
        super().__init__()
        self.notes: list[Note] = []

    def on_note(self, note: Note) -> None:
        """Keep the note."""
        self.notes.append(note)


class OneByOne:
    """A source of commands that has one at every look."""

    def __init__(self, *commands: Command) -> None:
        self._left = list(commands)

    def take(self) -> list[Command]:
        """Return the next one."""
        return [self._left.pop(0)] if self._left else []


def test_the_loop_obeys_between_pieces_and_events_carry_the_act() -> None:
    """End to end with doubles: the command comes before the second change, after the first."""
    commands = OneByOne(Command(Verb.NEXT_ACT, "key"))
    target = desk(sources=(commands,))
    script = [change(sample=100), change(RingState.HOWLING, sample=9000, ch=1, id=2)]
    taking, other = NotedSink(), FakeSink()
    run_loop(
        FakeSource(chopped(np.zeros((9600, 2), np.float32), [4800, 4800]), channels=2),
        FakeEngine(script, channels=2),
        [taking, other],
        names=("Vox 1", "Vox 2"),
        desk=target,
    )
    acts = [(e.act, e.channel_name) for e in taking.events]
    assert acts == [("Paper Kites", "Vox 1"), ("Third Rail", "Vox 2")]
    assert taking.events == other.events
    assert [note.effect for note in taking.notes] == ["act 2 of 2: Third Rail"]
    assert taking.snapshots[-1].act == "Third Rail"
    assert taking.snapshots[-1].names == ("Vox 1", "Vox 2")
    assert isinstance(taking, NoteTaker)
    assert not isinstance(other, NoteTaker)


def test_an_event_without_a_running_order_has_no_act() -> None:
    """Oracle: docs/events.md: the key is there only with a running order."""
    assert "act" not in event().record()


NOTE = Note(61.5, "next_act", "osc 10.0.0.1", True, "act 2 of 2: Third Rail", act="Third Rail")


def test_every_printed_stream_tells_it() -> None:
    """jsonl as an object, table as a line; CSV has columns for rings only and lets it pass."""
    lines, table, cells = io.StringIO(), io.StringIO(), io.StringIO()
    JsonlSink(lines).on_note(NOTE)
    TableSink(table).on_note(NOTE)
    assert json.loads(lines.getvalue()) == NOTE.record()
    assert table.getvalue() == "   1:01.5  act 2 of 2: Third Rail (by osc 10.0.0.1)\n"
    assert not isinstance(CsvSink(cells), NoteTaker)


class TestDashboard:
    def shown(self, model: Model, now_s: float = 1.0) -> str:
        return render(model.view(now_s), 80, 24, DARK, now_s).text()

    def model(self, **more) -> Model:
        made = Model(("Vox 1", "Vox 2"), (1, 2), title="Field")
        made.take_snapshot(self.snapshot(**more), 0.9)
        return made

    def snapshot(self, **more):
        from dataclasses import replace

        rings = more.pop("rings", [])
        base = snapshot(2, rings=rings)
        return replace(
            base, names=("Vox 1", "Ida"), act="Paper Kites", act_number=1, acts=2, **more
        )

    def test_the_act_stands_at_the_top_and_its_names_at_the_rows(self) -> None:
        """Oracle: the snapshot."""
        lines = self.shown(self.model()).splitlines()
        assert "act 1/2 Paper Kites" in lines[0]
        assert any("Ida" in line for line in lines[1:])
        assert "[ ] act" in lines[-1]

    def test_what_came_of_a_command_stands_on_the_last_line_for_a_while(self) -> None:
        """Oracle: the note; after its time the keys come back, the log keeps it."""
        model = self.model()
        model.take_note(NOTE, 1.0)
        assert "act 2 of 2: Third Rail (by osc 10.0.0.1)" in self.shown(model).splitlines()[-1]
        later = self.shown(model, 1.0 + NOTICE_S)
        assert "n next page" in later.splitlines()[-1] or "n p page" in later.splitlines()[-1]
        assert "act 2 of 2" in later

    def test_a_refusal_is_told_as_one(self) -> None:
        """NOT DONE stands out in capitals."""
        model = self.model()
        model.take_note(Note(1, "next_act", "key", False, "Third Rail is the last act"), 1.0)
        assert "NOT DONE: Third Rail is the last act" in self.shown(model)

    def test_an_acknowledgement_from_elsewhere_quiets_a_channel(self) -> None:
        """Both rings on channel 1 leave the large space; that of channel 2 takes it."""
        rings = [event(id=1), event(id=2), event(RingState.SUSPECT, id=3, channel=2)]
        model = self.model(rings=rings)
        model.take_note(Note(1, "acknowledge", "osc 10.0.0.1", True, "x", channel=1), 1.0)
        view = model.view(1.0)
        assert view.quieted == {1, 2}
        assert view.focus is not None
        assert view.focus.id == 3

    def test_a_held_channel_leaves_the_large_space_unless_it_howls(self) -> None:
        """Oracle: docs/osc.md."""
        calm = self.model(rings=[event(id=1)], held=frozenset({1}))
        assert calm.view(1.0).focus is None
        assert "acknowledged or held" in self.shown(calm)
        assert "(held)" in self.shown(calm)
        howl = self.model(rings=[event(RingState.HOWLING, id=1)], held=frozenset({1}))
        assert howl.view(1.0).focus is not None


def test_the_board_tells_the_act() -> None:
    """Oracle: docs/osc.md: number, of, next and name; zeros and '-' without a running order."""
    told = replace(snapshot(1), act="Paper Kites", next_act="Third Rail", act_number=1, acts=2)
    assert [value for _, value in make_board((), (), act=act_of(told))[ACT_KEY].values()] == [
        1,
        2,
        "Third Rail",
        "Paper Kites",
    ]
    assert [value for _, value in make_board((), ())[ACT_KEY].values()] == [0, 0, "-", "-"]
