"""The file: what is written is read, and no accident costs more than it must."""

import contextlib
import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from logbook.books import INFO

from prehowl.daemon.errors import OutputError
from prehowl.daemon.logbook.lock import WriterLock
from prehowl.daemon.logbook.reader import LogbookError, LogbookReader
from prehowl.daemon.logbook.records import Clip, Entry, EntryRow, Spectrum, entry_row
from prehowl.daemon.logbook.schema import MAGIC, VERSION
from prehowl.daemon.logbook.store import DamagedError, Store, open_store, packed, unpacked


@pytest.fixture
def path(tmp_path) -> Path:
    """Give the place of a logbook that is not there yet."""
    return tmp_path / "show.logbook"


def write(path: Path, count: int, *, end: bool = True) -> None:
    """Write so many numbered entries as one run."""
    store = Store(path, INFO)
    store.write(
        [(100.0 + n, entry_row(Entry("note", n / 2, {"n": n}, n))) for n in range(count)],
        200.0,
        9.5,
    )
    if end:
        store.end()
    store.close()


def note(number: int) -> EntryRow:
    """Return a numbered entry."""
    return entry_row(Entry("note", 0.0, {"n": number}))


@pytest.mark.parametrize(
    "entry",
    [
        Entry("note", 0.0, {"n": float("nan")}),
        Entry("note", 0.0, {"n": object()}),
        Entry("note", 0.0, {"n": "half a character: \ud800"}),
        Entry("note", float("nan")),
        Entry("note", 0.0, {}, 2**63),
    ],
)
def test_what_neither_json_nor_sqlite_can_hold_is_refused_before_it_is_written(entry):
    """Oracle: RFC 8259 (no NaN, from memory); Unicode; SQLite's integers of 64 bits."""
    with pytest.raises((ValueError, TypeError, OverflowError)):
        entry_row(entry)


def numbers(path: Path) -> list[int]:
    """Return the numbers of the entries in order."""
    with LogbookReader(path) as reader:
        return [line.data["n"] for line in reader.lines(kind="note")]


def test_what_is_written_is_read(path):
    """Oracle: the records themselves, every field."""
    store = Store(path, INFO)
    clip = Clip(3, 2, 4.5, 0.25, 48000, b"\0flac\xff")
    spectrum = Spectrum(3, 2, 4.5, 5.86, (-120.0, -3.01, 0.0))
    store.write(
        [
            (1.5, entry_row(Entry("odd kind", 4.25, {"ä": [1, None]}, 2))),
            (2.5, clip),
            (2.5, spectrum),
        ],
        7.0,
        4.5,
    )
    store.close()
    with LogbookReader(path) as reader:
        (run,) = reader.runs()
        assert run.info == INFO
        assert (run.last_at, run.last_time_s, run.is_ended) == (7.0, 4.5, False)
        (line,) = reader.lines()
        assert (line.at, line.time_s, line.kind, line.channel) == (1.5, 4.25, "odd kind", 2)
        assert line.data == {"ä": [1, None]}
        assert list(reader.clips()) == [(1, clip)]
        assert list(reader.spectra()) == [(1, spectrum)]


@given(st.lists(st.floats(-327, 327), max_size=50))
def test_levels_come_back_to_a_hundredth_of_a_db(levels):
    """Oracle: property. int16 hundredths hold what any level can be."""
    assert unpacked(packed(levels)) == pytest.approx(levels, abs=0.0051)


def test_a_further_start_goes_on_in_the_same_file(path):
    """Oracle: definition. Two runs, one clean end each, entries in order."""
    write(path, 2)
    write(path, 3)
    assert numbers(path) == [0, 1, 0, 1, 2]
    with LogbookReader(path) as reader:
        assert [(run.id, run.is_ended) for run in reader.runs()] == [(1, True), (2, True)]


def test_a_write_that_fails_leaves_nothing_of_itself(path):
    """Oracle: definition of a transaction; the table takes no entry without a kind."""
    store = Store(path, INFO)
    bad = EntryRow(None, 0.0, None, "{}")
    with pytest.raises(sqlite3.IntegrityError):
        store.write([(0.0, note(1)), (0.0, bad)], 0.0, 0.0)
    store.write([(0.0, note(2))], 0.0, 0.0)
    store.close()
    assert numbers(path) == [2]


def test_a_second_writer_is_refused_also_from_another_process(path):
    """Oracle: definition. One file, one writer; the first goes on undisturbed."""
    store = Store(path, INFO)
    with pytest.raises(OutputError, match="another prehowl is writing it"):
        Store(path, INFO)
    code = (
        "from pathlib import Path; from prehowl.daemon.logbook.lock import WriterLock\n"
        f"WriterLock(Path({str(path)!r}))"
    )
    other = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False
    )
    assert "another prehowl is writing it" in other.stderr
    store.write([(0.0, note(5))], 0.0, 0.0)
    store.close()
    assert numbers(path) == [5]
    WriterLock(path).release()


def test_a_reader_is_not_kept_out(path):
    """Oracle: definition. What is committed can be read while the writer holds the file."""
    store = Store(path, INFO)
    store.write([(0.0, note(5))], 0.0, 0.0)
    assert numbers(path) == [5]
    store.close()


@pytest.mark.parametrize("where", ["head", "middle"])
def test_a_damaged_file_is_set_aside_and_a_new_one_begun(path, where):
    """Oracle: definition. Nothing of the damaged file is thrown away; writing goes on."""
    write(path, 4000, end=False)
    data = bytearray(path.read_bytes())
    if where == "head":
        data[:64] = os.urandom(64)
    else:
        data[len(data) // 3 : 2 * len(data) // 3] = os.urandom(2 * len(data) // 3 - len(data) // 3)
    path.write_bytes(data)
    store, said = open_store(path, INFO)
    store.close()
    aside = path.with_name("show.damaged-1.logbook")
    assert said.startswith(f"{path} was damaged (")
    assert said.endswith(f"; set aside as {aside.name}")
    assert aside.read_bytes() == bytes(data)
    assert numbers(path) == []


def test_damage_that_shows_while_writing_is_told_as_such(path):
    """Oracle: SQLite's own words for a torn page (SQLITE_CORRUPT or SQLITE_NOTADB)."""
    write(path, 4000)
    store = Store(path, INFO)
    with path.open("r+b") as file:
        file.write(os.urandom(path.stat().st_size))
    with pytest.raises(DamagedError):
        _write_on(store)
    store.close()


def _write_on(store: Store) -> None:
    for n in range(20000):
        store.write([(0.0, note(n))], 0.0, 0.0)


def test_files_of_others_are_left_alone(tmp_path):
    """Oracle: definition. A recording and another program's database stay as they are."""
    wave = tmp_path / "show.wav"
    wave.write_bytes(b"RIFF1234WAVEfmt ")
    with pytest.raises(OutputError, match="a file of another kind, which is left alone"):
        open_store(wave, INFO)
    assert wave.read_bytes() == b"RIFF1234WAVEfmt "
    other = tmp_path / "other.logbook"
    with sqlite3.connect(other) as connection:
        connection.execute("CREATE TABLE songs (name)")
    connection.close()
    with pytest.raises(OutputError, match="database of another program"):
        open_store(other, INFO)
    with pytest.raises(OutputError, match="is no file"):
        open_store(tmp_path, INFO)
    with pytest.raises(OutputError, match="Is the folder there"):
        open_store(tmp_path / "no" / "such.logbook", INFO)


def test_a_file_of_a_later_version_is_refused(path):
    """Oracle: definition. Better no logbook than a wrong one."""
    write(path, 1)
    with sqlite3.connect(path) as connection:
        connection.execute(f"PRAGMA user_version = {VERSION + 1}")
    connection.close()
    with pytest.raises(OutputError, match="later prehowl"):
        open_store(path, INFO)


def test_a_file_that_is_taken_away_is_noticed(path):
    """Oracle: definition. SQLite itself writes on into a file that has no name any more."""
    store = Store(path, INFO)
    assert not store.is_gone()
    path.rename(path.with_name("elsewhere"))
    assert store.is_gone()
    store.close()


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (None, "no logbook .*list` shows"),
        (b"", "is no logbook"),
        (b"RIFF" * 10, "is no logbook"),
        (MAGIC + os.urandom(4000), "cannot be read"),
    ],
)
def test_what_cannot_be_read_is_told(path, data, said):
    """Oracle: definition. One line with the way out; the file is not touched."""
    if data is not None:
        path.write_bytes(data)
    with pytest.raises(LogbookError, match=said):
        LogbookReader(path)


NOBODY = 65534


@pytest.fixture
def shared() -> Iterator[Path]:
    """Give a folder that everybody may enter: pytest's own may be entered by its maker only."""
    folder = Path(tempfile.mkdtemp(prefix="prehowl-test-"))
    yield folder
    shutil.rmtree(folder)


@contextlib.contextmanager
def reading_only(folder: Path) -> Iterator[None]:
    """Be, for a while, somebody who may not write in a folder; root becomes another user."""
    folder.chmod(0o555)
    is_root = os.geteuid() == 0
    if is_root:
        os.seteuid(NOBODY)
    try:
        yield
    finally:
        if is_root:
            os.seteuid(0)
        folder.chmod(0o755)


@pytest.mark.parametrize("has_empty_log", [False, True])
def test_a_logbook_is_read_where_one_may_not_write(shared, has_empty_log):
    """Oracle: definition. As from a stick mounted read-only, or by another user than the service's.

    An empty log beside it is what a reader leaves who had the right to write.
    """
    path = shared / "show.logbook"
    write(path, 3)
    if has_empty_log:
        path.with_name("show.logbook-wal").touch()
    with reading_only(shared), LogbookReader(path) as reader:
        assert [line.data["n"] for line in reader.lines()] == [0, 1, 2]
    assert len(list(shared.glob("*-shm"))) == 0


def test_what_is_still_beside_a_logbook_is_not_left_out_in_silence(shared):
    """Oracle: definition. Torn off, copied without its -shm: neither read in part nor damaged."""
    whole, path = shared / "whole.logbook", shared / "show.logbook"
    store = Store(whole, INFO)
    store.write([(100.0, note(1))], 200.0, 9.5)
    for tail in ("", "-wal"):
        shutil.copy(f"{whole}{tail}", f"{path}{tail}")
    store.close()
    with (
        reading_only(shared),
        pytest.raises(LogbookError, match=r"are in show\.logbook-wal beside it.*copy both") as told,
    ):
        LogbookReader(path)
    assert "amage" not in str(told.value)
    with LogbookReader(path) as reader:
        assert [line.data["n"] for line in reader.lines()] == [1]
