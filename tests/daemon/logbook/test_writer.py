"""The logbook's thread: no accident ends it, and what it had to give up it counts and tells."""

import errno
import sqlite3

import numpy as np
import pytest
from logbook.books import INFO, RATE_HZ
from rig.watching import poll

from prehowl.daemon.errors import OutputError
from prehowl.daemon.logbook import waiting
from prehowl.daemon.logbook import writer as module
from prehowl.daemon.logbook.clips import RawClip, RawSpectrum
from prehowl.daemon.logbook.reader import LogbookReader
from prehowl.daemon.logbook.records import Entry
from prehowl.daemon.logbook.store import DamagedError, Store
from prehowl.daemon.logbook.waiting import MOST_CLIPS, MOST_ENTRIES, MOST_SPECTRA, Backlog
from prehowl.daemon.logbook.writer import Writer

READ_ONLY = OSError(errno.EROFS, "Read-only file system")
FULL = sqlite3.OperationalError("database or disk is full")
SAMPLES = np.zeros(256, np.int16)


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    """Try again at once: no test is to wait for it."""
    monkeypatch.setattr(waiting, "RETRY_FIRST_S", 0.01)


@pytest.fixture
def path(tmp_path):
    """Give the place of a logbook."""
    return tmp_path / "show.logbook"


@pytest.fixture
def writer(path):
    """Give a writer that is not started yet, and close it afterwards."""
    made = Writer(path, INFO, clip_bytes_most=10**9)
    yield made
    made.close()


def note(number: int) -> Entry:
    """Return a numbered entry."""
    return Entry("note", float(number), {"n": number})


def clip(number: int) -> RawClip:
    """Return the clip of an alert."""
    return RawClip(number, 1, float(number), 0, RATE_HZ, SAMPLES)


def spectrum(number: int) -> RawSpectrum:
    """Return the spectrum of an alert."""
    return RawSpectrum(number, 1, float(number), RATE_HZ, SAMPLES)


def but_the_first(whole):
    """Return an encoder that fails for the first alert."""

    def made(raw):
        if raw.ring == 1:
            raise RuntimeError("no encoder")
        return whole(raw)

    return made


def read(path) -> tuple[list[int], list[str]]:
    """Return the numbered entries, and what is told of the logbook itself."""
    with LogbookReader(path) as reader:
        lines = list(reader.lines())
    numbers = [line.data["n"] for line in lines if line.kind == "note"]
    return numbers, [line.data["text"] for line in lines if line.kind == "health"]


def test_a_clip_is_never_kept_before_the_line_that_tells_of_it(writer, monkeypatch):
    """Oracle: definition; a kill between the two would leave a sound that nothing speaks of.

    A second alarm comes while the entries of the first are being written.
    """
    whole, kept, comes = Store.write, [], [2]

    def write(store, items, *moment):
        if comes:
            put(comes.pop())
        made = list(items)
        kept.extend((type(item).__name__, item) for _, item in made)
        whole(store, made, *moment)

    def put(number):
        for item in (note(number), spectrum(number), clip(number)):
            writer.put(item)

    monkeypatch.setattr(Store, "write", write)
    put(1)
    writer.start()
    writer.close()
    order = [(name, int(item.time_s) if name == "EntryRow" else item.ring) for name, item in kept]
    assert order == [(n, i) for i in (1, 2) for n in ("EntryRow", "Spectrum", "Clip")]


class TestNoAccidentEndsIt:
    """Whatever goes wrong is said and tried again."""

    def test_a_damaged_file_that_cannot_be_set_aside(self, writer, path, monkeypatch):
        """Oracle: definition. A failing stick is remounted read-only; then it can be written."""
        writer.start()

        def torn(*_: object) -> None:
            raise DamagedError("database disk image is malformed")

        def refused(*_: object) -> None:
            raise READ_ONLY

        with monkeypatch.context() as patched:
            patched.setattr(Store, "write", torn)
            patched.setattr(module, "set_aside", refused)
            patched.setattr(module, "open_store", refused)
            writer.put(note(1))
            poll(lambda: "not written (Read-only file system)" in writer.trouble(), "trouble")
            writer.put(note(2))
        poll(lambda: writer.trouble() == "", "written again")
        writer.close()
        numbers, told = read(path)
        assert numbers == [1, 2]
        assert "not written (Read-only file system)" in told[0]

    def test_a_fault_of_the_system_at_the_start_is_no_reason_not_to_watch(
        self, writer, path, monkeypatch
    ):
        """Oracle: definition. The start succeeds, the trouble is told, then all is caught up."""

        def refused(*_: object) -> None:
            raise READ_ONLY

        monkeypatch.setattr(module, "open_store", refused)
        writer.start()
        assert "not written (Read-only file system)" in writer.trouble()
        writer.put(note(1))
        monkeypatch.undo()
        poll(lambda: writer.trouble() == "", "written")
        writer.close()
        assert read(path)[0] == [1]

    def test_what_only_a_person_can_mend_still_ends_the_start(self, tmp_path):
        """Oracle: definition."""
        with pytest.raises(OutputError):
            Writer(tmp_path / "no" / "a.logbook", INFO, clip_bytes_most=0).start()

    def test_a_fault_that_nobody_foresaw_is_told_with_its_class(self, writer, path, monkeypatch):
        """Oracle: definition."""
        writer.start()

        def strange(*_: object) -> None:
            raise KeyError("x")

        with monkeypatch.context() as patched:
            patched.setattr(Store, "write", strange)
            writer.put(note(1))
            poll(lambda: "not written (KeyError: 'x')" in writer.trouble(), "trouble")
        poll(lambda: writer.trouble() == "", "written again")
        writer.close()
        assert read(path)[0] == [1]

    def test_a_thread_that_has_ended_all_the_same_is_told(self, path, monkeypatch):
        """Oracle: definition; and a close is no trouble."""
        monkeypatch.setattr(Writer, "_run", lambda _: None)
        ended = Writer(path, INFO, clip_bytes_most=0)
        assert ended.trouble() == ""
        ended.start()
        poll(lambda: "no longer written" in ended.trouble(), "trouble")
        ended.close()
        assert ended.trouble() == ""


class TestWhatCannotBeEncoded:
    """It is dropped, counted and told, and stands in nobody's way."""

    def test_an_entry(self, writer, path):
        """Oracle: definition. JSON knows no NaN (RFC 8259, from memory)."""
        for entry in (note(1), Entry("note", 2.0, {"n": float("nan")}), note(3)):
            writer.put(entry)
        writer.start()
        writer.close()
        numbers, told = read(path)
        assert numbers == [1, 3]
        (line,) = told
        assert line.startswith("1 entry from before this could not be kept (entry: ValueError")
        assert writer.missing() == "1 entry"

    def test_a_clip_and_a_spectrum(self, writer, path, monkeypatch):
        """Oracle: definition. Those after them are kept."""
        for kind, name in ((RawClip, "encoded"), (RawSpectrum, "measured")):
            monkeypatch.setattr(kind, name, but_the_first(getattr(kind, name)))
        for item in (clip(1), spectrum(1), clip(2), spectrum(2)):
            writer.put(item)
        writer.start()
        writer.close()
        assert writer.missing() == "1 spectrum and 1 clip"
        _, (line,) = read(path)
        assert line.startswith("1 spectrum and 1 clip from before this could not be kept (clip: R")
        with LogbookReader(path) as reader:
            assert [kept.ring for _, kept in reader.clips()] == [2]
            assert [kept.ring for _, kept in reader.spectra()] == [2]


class TestBounds:
    """While a disc is full, what is kept is bounded and what is lost is known."""

    def test_what_falls_out_is_told_with_the_next_write(self, writer, path, monkeypatch):
        """Oracle: counted by hand: two of each beyond its queue, the oldest."""

        def full(*_: object) -> None:
            raise FULL

        writer.start()
        with monkeypatch.context() as patched:
            patched.setattr(Store, "write", full)
            writer.put(note(0))
            poll(lambda: "disk is full" in writer.trouble(), "trouble")
            for n in range(1, MOST_CLIPS + 3):
                writer.put(clip(n))
            for n in range(1, MOST_SPECTRA + 3):
                writer.put(spectrum(n))
        poll(lambda: writer.trouble() == "", "written again")
        writer.close()
        told = read(path)[1]
        assert told[0] == "2 spectra and 2 clips from before this could not be kept"
        assert told[-1] == "the logbook can be written again"
        with LogbookReader(path) as reader:
            assert [kept.ring for _, kept in reader.clips()] == list(range(3, MOST_CLIPS + 3))
            assert [kept.ring for _, kept in reader.spectra()] == list(range(3, MOST_SPECTRA + 3))
        assert writer.missing() == "2 spectra and 2 clips"

    def test_seventeen_alarms_lose_nothing(self, writer, path):
        """Oracle: definition. Spectra take no room from clips."""
        for n in range(17):
            writer.put(clip(n))
            writer.put(spectrum(n))
        writer.start()
        writer.close()
        with LogbookReader(path) as reader:
            assert (len(list(reader.clips())), len(list(reader.spectra()))) == (17, 17)
        assert writer.missing() == ""

    def test_entries_beyond_their_queue_are_lost_once(self):
        """Oracle: by hand. One falls out while it is being written: it is no further loss."""
        backlog = Backlog()
        for n in range(MOST_ENTRIES):
            backlog.put(note(n), lambda: False)
        looked_at = backlog.all(backlog.entries)
        backlog.put(note(MOST_ENTRIES), lambda: False)
        backlog.done(backlog.entries, looked_at, spoilt={0, 1})
        assert backlog.missing() == (2 + 1, 0, 0)  # one fell out, one was spoilt, one still waits
        assert backlog.words(backlog.untold()) == "2 entries"
        backlog.tell(backlog.untold())
        assert backlog.words(backlog.untold()) == ""
