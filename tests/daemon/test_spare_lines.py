"""A live watch goes on when nobody can read its output any more; alarms go to stderr."""

import errno
import io
import os
import signal
import subprocess
from dataclasses import replace

import pytest
from conformance import SinkConformance
from fakes import FakeSink, event
from rig.watching import prehowl

from prehowl.daemon.events import Alert
from prehowl.daemon.log import Log
from prehowl.daemon.notes import Note
from prehowl.daemon.patient_stream import PatientStream
from prehowl.daemon.sinks.jsonl import JsonlSink
from prehowl.daemon.sinks.spare_lines import SpareLines
from prehowl.daemon.sinks.table import TableSink
from prehowl.detectors.rings import RingState


class Full(io.StringIO):
    """A disc that takes so many writes and is then full."""

    def __init__(self, room: int) -> None:
        super().__init__()
        self.room = room

    def write(self, text: str) -> int:
        self.room -= 1
        if self.room < 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return super().write(text)


@pytest.fixture(autouse=True)
def _own_stdout(monkeypatch):
    """Leave the test runner's own stdout alone: what is printed here goes to streams in memory."""
    monkeypatch.setattr("prehowl.daemon.sinks.spare_lines.drop_pending", lambda: None)


class TestIsASink(SinkConformance):
    """It keeps the promises of every sink."""

    def make(self, tmp_path):
        """Return one around a double."""
        return SpareLines(FakeSink(), Log(io.StringIO()))


@pytest.mark.parametrize("printer", [TableSink, JsonlSink])
@pytest.mark.parametrize("room", [0, 1, 2, 4])
def test_every_event_is_either_printed_or_logged(printer, room):
    """Oracle: definition. Wherever the disc is full, no event is lost, and the fault is told once;
    what comes after it, at its beginning and its end, goes to the log."""
    stream, said = Full(room), io.StringIO()
    sink = SpareLines(printer(stream), Log(said))
    sink.start()
    times_s = [61.25, 62.5, 63.75]
    for ring, at_s in enumerate(times_s, start=1):
        sink.on_event(event(RingState.HOWLING, id=ring, time_s=at_s))
    sink.on_note(Note(65.0, "hold", "key", True, "Vox 1 is held"))
    sink.close()
    whole = stream.getvalue() + said.getvalue()
    for number, at_s in enumerate(times_s):
        words = (f'"time_s": {at_s}', f"1:0{number + 1}")
        assert any(word in whole for word in words)
    assert "Vox 1 is held" in whole
    assert said.getvalue().count("output cannot be written (No space left on device)") == 1
    assert "the watch goes on" in sink.trouble()


@pytest.mark.parametrize("printer", [TableSink, JsonlSink])
def test_a_name_that_the_output_cannot_hold_hides_no_alarm(printer):
    """Oracle: definition. A stream that refuses marks by ValueError has failed like a full disc:
    that alarm and all later ones, on any channel, are on stderr."""
    raw, said = io.BytesIO(), io.StringIO()
    output = PatientStream(io.TextIOWrapper(raw, encoding="latin-1", write_through=True))
    sink = SpareLines(printer(output), Log(said), output)
    sink.start()
    sink.on_event(event(RingState.HOWLING, id=1, time_s=61.25))
    sink.on_event(event(RingState.HOWLING, id=2, time_s=62.5, channel_name="Zoë – ♥"))
    sink.on_event(event(RingState.HOWLING, id=3, time_s=63.75, channel=2))
    sink.close()
    assert raw.getvalue().count(b"Vox 1") == 1
    assert [mark in said.getvalue() for mark in ("1:02.5", "Zoë – ♥", "1:03.7")] == [True] * 3
    assert said.getvalue().count("output cannot be written (UnicodeEncodeError)") == 1


def test_a_howl_on_many_channels_is_logged_once_a_state():
    """Oracle: definition. What the printer took before it failed is known to the log as well."""
    said = io.StringIO()
    sink = SpareLines(JsonlSink(Full(2)), Log(said))
    alert = Alert(1, 1, "Vox 1", 1, 9, "Vox 1", "Mix 1", "centre wedge")
    for state in (RingState.SUSPECT, RingState.RINGING, RingState.CLEARED):
        for id_, channel in enumerate((1, 2, 9), start=1):
            sink.on_event(replace(event(state, id=id_, channel=channel), alert=alert))
    told = [line for line in said.getvalue().splitlines() if "Vox 1" in line]
    assert [next(w for w in ("RINGING", "cleared") if w in line) for line in told] == [
        "RINGING",
        "cleared",
    ]


def test_a_log_that_nobody_reads_is_no_reason_to_end():
    """Oracle: definition. Counted and told to whoever else listens, not raised."""
    log = Log(Full(0))
    assert log.facts() == []
    log.warn("a")
    log.say("b", "debug")  # left out, so not lost
    assert [fact.text for fact in log.facts()] == ["lines on stderr could not be written: 1 so far"]


def test_a_live_watch_outlives_a_full_disc_under_its_output(double, tmp_path):
    """Oracles: /dev/full, which refuses every write (full(4)); the documented exit code."""
    words = prehowl("watch", "--device", "0", "--headless", "--seconds", "1")
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            words, stdin=subprocess.DEVNULL, stdout=full, stderr=subprocess.PIPE, text=True
        )
    assert done.returncode == 0
    assert "output cannot be written (No space left on device)" in done.stderr
    assert "watched 0:0" in done.stderr


def test_a_live_watch_outlives_its_reader(double, tmp_path):
    """Oracle: definition: a pipe whose reader has gone before the first line; --status and the
    other sinks go on, and the end is as clean as ever."""
    reading, writing = os.pipe()
    os.close(reading)
    process = subprocess.Popen(
        prehowl("watch", "--device", "0", "--headless"),
        stdin=subprocess.DEVNULL,
        stdout=writing,
        stderr=subprocess.PIPE,
        text=True,
    )
    os.close(writing)
    assert process.stderr is not None
    told = next(line for line in process.stderr if "output cannot" in line)
    assert "(Broken pipe); events go to stderr, the watch goes on" in told
    process.send_signal(signal.SIGTERM)
    rest = process.communicate(timeout=30)[1]
    assert process.returncode == 0
    assert "watched 0:0" in rest
