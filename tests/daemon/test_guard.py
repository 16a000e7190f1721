"""A sink that fails is set aside; the watch goes on and says so."""

import numpy as np
import pytest
from conformance import SinkConformance
from fakes import FakeEngine, FakeSink, FakeSource, change, chopped, event, snapshot

from prehowl.daemon.errors import OutputError
from prehowl.daemon.facts import Fact, facts_of
from prehowl.daemon.loop import run_loop
from prehowl.daemon.outlets import NOTICES, Outlets
from prehowl.daemon.sinks.base import Health
from prehowl.daemon.sinks.guard import Guarded

SAMPLES = np.zeros((480, 1), np.float32)


class Failing(FakeSink):
    """Fails at whatever is named."""

    def __init__(self, at: str, fault: Exception | None = None) -> None:
        super().__init__()
        self.at, self.fault = at, fault or ValueError("broken")

    def _maybe(self, what: str) -> None:
        self.calls.append(what)
        if what == self.at:
            raise self.fault

    def start(self) -> None:
        self._maybe("start")

    def on_event(self, event) -> None:
        self._maybe("event")

    def on_snapshot(self, snapshot) -> None:
        self._maybe("snapshot")

    def on_samples(self, samples) -> None:
        self._maybe("samples")

    def on_note(self, note) -> None:
        self._maybe("note")

    def close(self) -> None:
        self._maybe("close")


class TestIsASink(SinkConformance):
    """The guard keeps the promises of every sink."""

    def make(self, tmp_path):
        """Return a guard of a double."""
        return Guarded(FakeSink(), "double", lambda *_: None)


@pytest.mark.parametrize("at", ["event", "snapshot", "samples", "note"])
def test_a_fault_closes_it_once_and_nothing_more_reaches_it(at):
    """Oracle: definition."""
    told = []
    inner = Failing(at)
    sink = Guarded(inner, "screen", lambda who, fault: told.append((who.fault, fault)))
    sink.start()
    for _ in range(2):
        sink.on_event(event())
        sink.on_snapshot(snapshot())
        sink.on_samples(SAMPLES)
        sink.on_note(object())
    sink.close()
    words = "screen has failed and is left out: ValueError: broken"
    assert told == [(words, inner.fault)]
    assert inner.calls.count(at) == 1
    assert inner.calls[-1] == "close"
    assert inner.calls.count("close") == 1


def test_what_cannot_be_started_is_for_the_person():
    """Oracle: definition. A wrong wish is no accident."""
    sink = Guarded(Failing("start", OutputError("no such folder")), "logbook", lambda *_: None)
    with pytest.raises(OutputError, match="no such folder"):
        sink.start()


def test_a_run_outlives_a_sink_and_the_others_hear_of_it():
    """Oracle: definition. Every event reaches the sound sink, and its health names the other."""
    said = []
    outlets = Outlets(said.append)
    sound = FakeSink()
    outlets.add(Failing("event"), "dashboard")
    outlets.add(sound, "output")
    source = FakeSource(chopped(np.zeros((48000, 1), np.float32), []))
    script = [change(id=n, sample=4800 * n) for n in (1, 2, 3)]
    done = run_loop(
        source,
        FakeEngine(script),
        outlets.sinks,
        names=["Vox"],
        complete_health=outlets.completed,
    )
    assert done.events == len(sound.events) == 3
    assert said == ["dashboard has failed and is left out: ValueError: broken"]
    assert sound.snapshots[-1].health.troubles == facts_of(said)


def test_a_reader_that_has_gone_ends_the_run_only_where_nobody_else_listens():
    """Oracle: definition: `| head` ends a watch of lines, but not one that serves a tablet."""
    for name, ends in ((NOTICES, True), ("OSC", False)):
        outlets = Outlets(lambda _text: None)
        outlets.add(FakeSink(), name)
        outlets.add(Failing("event", BrokenPipeError()), "output")
        if ends:
            with pytest.raises(BrokenPipeError):
                outlets.sinks[1].on_event(event())
        else:
            outlets.sinks[1].on_event(event())


def test_troubles_of_all_kinds_are_gathered():
    """Oracle: definition. "" is no trouble."""
    outlets = Outlets(lambda _text: None)
    outlets.add(FakeSink(), "logbook", trouble=lambda: "disc full")
    outlets.add(FakeSink(), "OSC", trouble=lambda: "")
    outlets.tell_facts(lambda: [Fact("channel 4 dead")])
    outlets.tell_targets(lambda: (("tablet", "ok"),))
    health = outlets.completed(Health(troubles=facts_of(["channel 3 dead"])))
    assert health.troubles == facts_of(["channel 3 dead", "channel 4 dead", "disc full"])
    assert health.targets == (("tablet", "ok"),)
