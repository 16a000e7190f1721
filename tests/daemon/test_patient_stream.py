"""Writing to who does not read: a watch must not wait for its own output."""

import io
import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TextIO

import pytest
from fakes import event, snapshot
from guarded import PATIENCE_S, ended

from prehowl.daemon.log import Log
from prehowl.daemon.patient_stream import MOST_PENDING, PatientStream
from prehowl.daemon.sinks.health_lines import HealthLines
from prehowl.daemon.sinks.jsonl import JsonlSink
from prehowl.daemon.sinks.spare_lines import SpareLines
from prehowl.detectors.rings import RingState

LINE = 99 * "x" + "\n"


@contextmanager
def unread(reader: int, writer: int) -> Iterator[tuple[int, TextIO]]:
    """Give the end that nobody reads, and a stream into the other; close both."""
    with open(writer, "w", encoding="utf-8") as stream:
        yield reader, stream
        os.close(reader)


@pytest.fixture
def pipe() -> Iterator[tuple[int, TextIO]]:
    """Return a pipe's end to read from, which nobody reads, and a stream into the other."""
    with unread(*os.pipe()) as ends:
        yield ends


@pytest.fixture
def terminal() -> Iterator[tuple[int, TextIO]]:
    """Return a terminal's other end, which nobody reads, and a stream into the terminal."""
    with unread(*os.openpty()) as ends:
        yield ends


@pytest.fixture(params=["opened anew", "out of reach"])
def any_terminal(request, terminal, monkeypatch) -> tuple[int, TextIO]:
    """Return such a terminal, also as one that cannot be opened anew: as after `su`."""
    if request.param == "out of reach":

        def refuse(_descriptor: int) -> str:
            raise PermissionError("not yours")

        monkeypatch.setattr("prehowl.daemon.outflow.os.ttyname", refuse)
    return terminal


def arrived_at(reader: int, *, at_least: int = 0) -> bytes:
    """Return what waits at the other end of a terminal, and what comes until it is so much."""
    got = bytearray()
    while len(got) < at_least:
        got += os.read(reader, 65536)
    os.set_blocking(reader, False)
    try:
        while True:
            got += os.read(reader, 65536)
    except BlockingIOError:
        return bytes(got)


def filled(stream: TextIO, line: str = LINE, most: int = 10_000) -> tuple[PatientStream, int]:
    """Write lines until they are given up; return the stream and how many were written."""
    patient = PatientStream(stream)
    for number in range(1, most):
        patient.write(line)
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


def test_what_a_thread_still_writes_at_the_end_is_waited_for_and_counted(terminal, monkeypatch):
    """Oracle: definition: not one mark has arrived after the wait, so a line is lost; it is no
    loss where somebody reads meanwhile."""

    def refuse(_descriptor: int) -> str:
        raise PermissionError("not yours")

    monkeypatch.setattr("prehowl.daemon.outflow.os.ttyname", refuse)
    reader, stream = terminal
    patient, _ = filled(stream)
    before = patient.lost
    patient.write(LINE)
    assert ended(lambda: patient.drain(0.2))
    assert patient.lost > before
    before = patient.lost
    late = threading.Thread(target=arrived_at, args=(reader,), kwargs={"at_least": 4096})
    late.start()
    patient.write(LINE)
    assert ended(lambda: patient.drain(PATIENCE_S))
    late.join()
    assert patient.lost == before


@pytest.mark.parametrize("length", [34, 76, 400])
def test_a_terminal_that_nobody_reads_makes_nobody_wait(any_terminal, length) -> None:
    """It says that it takes some when a line no longer goes in; lines are as of a watch.

    Oracle: it ends, and lines written are those that arrived, pending ones and lost ones.
    """
    reader, stream = any_terminal
    line, told = (length - 1) * "x" + "\n", []
    assert ended(lambda: told.append(filled(stream, line)))
    patient, written = told[0]
    arrived = arrived_at(reader).count(b"\n")
    assert patient.lost * length > MOST_PENDING - length
    # What a thread has in its hands is neither there yet nor lost.
    assert 0 <= written - arrived - patient.lost <= 4096 / length + 1


def test_a_terminal_that_is_read_late_gets_every_line_in_order(any_terminal) -> None:
    """Oracle: what was written, each line's end as a terminal has it."""
    reader, stream = any_terminal
    patient = PatientStream(stream)
    lines = [f"{number:033d}\n" for number in range(1000)]

    def write() -> None:
        for line in lines:
            patient.write(line)
            patient.flush()

    assert ended(write)
    got: list[bytes] = []
    late = threading.Thread(
        target=lambda: got.append(arrived_at(reader, at_least=35_000)), daemon=True
    )
    late.start()
    assert ended(lambda: patient.drain(10.0))
    late.join(10.0)
    assert got[0].decode() == "".join(lines).replace("\n", "\r\n")
    assert patient.lost == 0


def test_the_terminal_stays_as_its_shell_has_it(terminal) -> None:
    """Oracle: the flag of the descriptor that was lent: still one that waits (open(2))."""
    _, stream = terminal
    patient = PatientStream(stream)
    patient.write(LINE)
    patient.flush()
    assert os.get_blocking(stream.fileno())
    patient.close()


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


def test_log_lines_of_a_late_reader_come_without_another_line(pipe) -> None:
    """With the next look at the health, and at the end. Oracle: what was said, all of it."""
    reader, stream = pipe
    log = Log(stream)
    for number in range(1000):
        log.say(f"{number:099d}")
    lines = HealthLines(log)
    got = os.read(reader, 1 << 20)
    lines.on_snapshot(snapshot())
    got += os.read(reader, 1 << 20)
    assert got.decode() == "".join(f"prehowl: {number:099d}\n" for number in range(1000))
    assert log.unwritten == 0
