"""Writing to who does not read: a watch must not wait for its own output."""

import io
import os
import threading
from collections.abc import Iterator
from typing import TextIO

import pytest
from fakes import event

from prehowl.daemon.log import Log
from prehowl.daemon.patient_stream import MOST_PENDING, PatientStream
from prehowl.daemon.sinks.jsonl import JsonlSink
from prehowl.daemon.sinks.spare_lines import SpareLines
from prehowl.detectors.rings import RingState

LINE = 99 * "x" + "\n"


@pytest.fixture
def pipe() -> Iterator[tuple[int, TextIO]]:
    """Return a pipe's end to read from, which nobody reads, and a stream into the other."""
    reader, writer = os.pipe()
    with open(writer, "w", encoding="utf-8") as stream:
        yield reader, stream
        os.close(reader)


def filled(stream: TextIO, seconds: int = 10_000) -> tuple[PatientStream, int]:
    """Write lines until they are given up; return the stream and how many were written."""
    patient = PatientStream(stream)
    for number in range(1, seconds):
        patient.write(LINE)
        try:
            patient.flush()
        except BlockingIOError:
            return patient, number
    raise AssertionError("it took everything")


def test_what_nobody_reads_is_given_up_and_counted(pipe) -> None:
    """Oracle: lines written are those in the pipe and those that are lost (a broken one counts)."""
    reader, stream = pipe
    patient, written = filled(stream)
    os.set_blocking(reader, False)
    arrived = os.read(reader, 1 << 20).count(b"\n")
    assert arrived + patient.lost == written
    assert patient.lost * len(LINE) > MOST_PENDING - len(LINE)


def test_a_reader_who_is_late_gets_every_line_in_order(pipe) -> None:
    """Oracle: what was written; first more than a pipe holds, then a reader."""
    reader, stream = pipe
    patient = PatientStream(stream)
    lines = [f"{number:099d}\n" for number in range(1000)]
    for line in lines:
        patient.write(line)
        patient.flush()
    got = bytearray()

    def read() -> None:
        while len(got) < 100_000:
            got.extend(os.read(reader, 4096))

    late = threading.Thread(target=read)
    late.start()
    patient.drain(10.0)
    late.join()
    assert got.decode() == "".join(lines)
    assert patient.lost == 0


def test_a_reader_who_has_gone_is_an_error(pipe) -> None:
    """As a plain write says it."""
    reader, stream = pipe
    patient = PatientStream(stream)
    with open(os.devnull, "rb") as nowhere:
        os.dup2(nowhere.fileno(), reader)  # the only end to read from is another file now
    patient.write(LINE)
    with pytest.raises(BrokenPipeError):
        patient.flush()
    # What is stuck in the stream's own buffer would be complained of when it is closed.
    os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def test_a_stream_without_a_descriptor_is_written_to() -> None:
    """As in memory."""
    memory = io.StringIO()
    patient = PatientStream(memory)
    patient.write("a\n")
    patient.flush()
    assert memory.getvalue() == "a\n"


def test_events_that_nobody_reads_go_to_the_log(pipe, monkeypatch) -> None:
    """No call waits; the fault is told once, and what follows is logged."""
    monkeypatch.setattr("prehowl.daemon.sinks.spare_lines.drop_pending", lambda: None)
    _, stream = pipe
    output, said = PatientStream(stream), io.StringIO()
    sink = SpareLines(JsonlSink(output), Log(said), output)
    sink.start()
    for number in range(1, 1000):
        sink.on_event(event(RingState.RINGING, id=number, time_s=float(number)))
    sink.close()
    assert said.getvalue().count("output cannot be written (nobody reads it; ") == 1
    assert "RINGING" in said.getvalue().splitlines()[-1]
    assert "lines are lost" in sink.trouble()


def test_a_log_that_nobody_reads_counts_its_lines(pipe) -> None:
    """And says so to whoever else listens."""
    reader, stream = pipe
    log = Log(stream)
    said = 3000
    for _ in range(said):
        log.say(LINE.strip())
    os.set_blocking(reader, False)
    arrived = os.read(reader, 1 << 20).count(b"\n")
    assert 0 < said - arrived - log.unwritten <= MOST_PENDING / len(LINE)  # the rest is pending
    assert "could not be written" in log.facts()[0].text
