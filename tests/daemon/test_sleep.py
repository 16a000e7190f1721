"""Sleeps of the computer: told to the second, never invented, counted by a live source as lost."""

import json
import time
from itertools import cycle

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rig.watching import poll

from prehowl.daemon import cli
from prehowl.daemon import sleep as module
from prehowl.daemon.desk.desk import Desk
from prehowl.daemon.logbook.reader import LogbookReader
from prehowl.daemon.osc_in.verbs import Command, Verb
from prehowl.daemon.sleep import LEAST_S, SleepMeter, passed_s, sleep_words
from prehowl.daemon.sources.device import DeviceSource
from prehowl.daemon.sources.device_facts import WOKEN_S, woken

RATE_HZ = 48000


class World:
    """A computer whose two clocks take their time to be read."""

    def __init__(self, delays_s=(0.0,)) -> None:
        self.awake_s, self.slept_s = 1000.0, 0.0
        self.delays_s = cycle(delays_s)

    def awake(self) -> float:
        """Return the clock that stands still in a sleep."""
        self.awake_s += next(self.delays_s)
        return self.awake_s

    def always(self) -> float:
        """Return the clock that goes on."""
        return self.awake() + self.slept_s

    def meter(self) -> SleepMeter:
        """Return one that goes by these clocks."""
        return SleepMeter(self.awake, self.always)


class TestMeter:
    """What is known of a sleep."""

    def test_each_sleep_is_told_once(self):
        """Oracle: by hand."""
        world = World()
        meter = world.meter()
        told = [meter.news_s()]
        for slept_s in (600.0, 0.0, 2.0):
            world.slept_s += slept_s
            world.awake_s += 5.0
            told += [meter.news_s(), meter.news_s()]
        assert told == [0, 600, 0, 0, 0, 2, 0]

    @given(
        st.lists(st.floats(0, 30), min_size=1, max_size=7),
        st.lists(st.sampled_from([0.0, 0.0, 1.5, 600.0]), max_size=20),
    )
    def test_a_process_that_is_made_to_wait_takes_that_for_no_sleep(self, delays_s, sleeps_s):
        """Oracle: property. However long each reading takes: never more sleep than there was."""
        world = World(delays_s)
        meter = world.meter()
        told_s = 0.0
        for slept_s in sleeps_s:
            world.slept_s += slept_s
            told_s += meter.news_s()
            assert told_s <= world.slept_s + 1e-6

    def test_what_the_system_may_have_rounded_is_none(self):
        """Oracle: definition of `LEAST_S`; what adds up to more is told."""
        world = World()
        meter = world.meter()
        told = []
        for _ in range(2):
            world.slept_s += 0.75 * LEAST_S
            told.append(meter.news_s())
        assert told == [0, 1.5 * LEAST_S]

    def test_the_clocks_of_this_computer_agree_that_it_is_awake(self):
        """Oracle: this test runs."""
        meter = SleepMeter()
        assert {meter.news_s() for _ in range(1000)} == {0.0}

    @pytest.mark.skipif(not hasattr(time, "CLOCK_BOOTTIME"), reason="the system tells no sleeps")
    def test_it_is_linux_clock_that_goes_on(self):
        """Oracle: clock_gettime(2): CLOCK_BOOTTIME includes the time that the system slept."""
        before_s = time.clock_gettime(time.CLOCK_BOOTTIME)
        assert before_s <= passed_s() <= time.clock_gettime(time.CLOCK_BOOTTIME)

    def test_without_such_a_clock_nothing_is_known(self, monkeypatch):
        """Oracle: definition: then there is one clock, and no sleep."""
        monkeypatch.setattr(module, "_GOES_ON", None)
        before_s = time.monotonic()
        assert before_s <= passed_s() <= time.monotonic()


@pytest.mark.parametrize(
    ("slept_s", "said"), [(1.2, "1 s"), (119.0, "119 s"), (600.0, "10 min"), (29000, "483 min")]
)
def test_a_sleep_in_words(slept_s, said):
    """Oracle: by hand."""
    assert sleep_words(slept_s) == said


def test_it_is_told_while_it_is_news():
    """Oracle: definition."""
    (fact,) = woken(600.0, WOKEN_S)
    assert fact.text == "just woken up: the computer slept for 10 min and heard nothing"
    assert fact.over == "no more: just woken up"
    assert woken(600.0, WOKEN_S + 0.1) == ()


def test_a_live_source_counts_a_sleep_as_lost_and_tells_it(double):
    """Oracle: the clocks, by hand: ten minutes at the device's rate are missing before the next
    block, once; what the double plays goes on where it was."""
    world = World()
    source = DeviceSource(1, sleep=world.meter())
    try:

        def block():
            found = source.read()
            return found if len(found.samples) else None

        poll(block, "audio")
        before = source.health()
        world.slept_s += 600.0
        woke, after = poll(block, "audio after the sleep"), source.health()
        later = poll(block, "more audio")
    finally:
        source.close()
    least = round(600 * RATE_HZ)
    assert least <= woke.lost < least + RATE_HZ  # a busy machine may lose some besides
    assert later.lost < RATE_HZ
    assert after.lost_samples - before.lost_samples == woke.lost
    assert np.isfinite(woke.samples).all()
    assert "slept" not in before.detail
    assert "slept for 10 min" in after.detail


@pytest.mark.skipif(not hasattr(time, "CLOCK_BOOTTIME"), reason="the system tells no sleeps")
def test_a_watch_whose_lid_was_closed_for_ten_minutes(double, capsys, monkeypatch, tmp_path):
    """Oracle: clock_gettime(2), by hand: CLOCK_BOOTTIME jumps, CLOCK_MONOTONIC does not. Told on
    stderr and in the logbook, counted as lost; a hold of ten minutes is over; stream time keeps
    step."""
    slept, read = [0.0], time.clock_gettime
    monkeypatch.setattr(time, "clock_gettime", lambda clock: read(clock) + slept[0])

    class Lid(Desk):
        """Is closed for ten minutes as soon as a channel is held for so long."""

        def obey(self, time_s, snapshot):
            notes = super().obey(time_s, snapshot)
            if self.held:
                slept[0] = 600.0
            elif not slept[0]:
                self.put(Command(Verb.HOLD, "key", channel=1, seconds=600))
            return notes

    monkeypatch.setattr("prehowl.daemon.watch_parts.Desk", Lid)
    book = tmp_path / "show.logbook"
    words = ["--device", "0", "--format", "jsonl", "--seconds", "2", "--logbook", str(book)]
    assert cli.main(["watch", *words]) == 0
    out, err = capsys.readouterr()
    notes = [json.loads(line) for line in out.splitlines()]
    assert [note["effect"].split(" ", 2)[2] for note in notes if note["type"] == "control"] == [
        "is held for 600 s; a howl still shows",
        "on Ch 1 is over",
    ]
    assert "just woken up: the computer slept for 10 min and heard nothing" in err
    assert "input was lost" in err
    assert "watched 10:0" in err
    with LogbookReader(book) as reader:
        told = [line.data["text"] for line in reader.lines(kind="health")]
    # The time of day has not gone on here, as it does in a real sleep: that is told beside it.
    assert "the computer slept for 10 min; the clock was set: -600 s" in told
