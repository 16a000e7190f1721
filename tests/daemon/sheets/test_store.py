"""Sheets on disk: what is written comes back, versions are never lost, bad files are told."""

import errno
import os
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sheet_makers import gains, sheets

from prehowl.daemon.data_folder import data_folder
from prehowl.daemon.errors import OutputError, SheetError
from prehowl.daemon.sheets.naming import parse_file_name, sheet_name
from prehowl.daemon.sheets.sheet import Change, Sheet, ring_of
from prehowl.daemon.sheets.sheet_toml import (
    sheet_from_mapping,
    sheet_from_toml,
    sheet_record,
    toml_text,
)
from prehowl.daemon.sheets.store import Store, default_folder, read_file

AT = "2026-07-04T14:30:00+02:00"
PLAIN = Sheet("Wedge 12", "Vocal mic", "Mix 1", rings=(ring_of(2513.4, 3, AT),)).with_faders(
    {21: -3}
)
UNTIMED = {"max_examples": 50, "deadline": None}
NAME = "wedge-12--vocal-mic--mix-1"


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "sheets")


@given(sheets)
@settings(**UNTIMED)
def test_text_and_back_is_the_same_sheet(sheet):
    """Oracle: property: read(write(x)) == x, as TOML and as plain mappings."""
    assert sheet_from_toml(toml_text(sheet), "x") == sheet
    assert sheet_from_mapping(sheet_record(sheet), "x") == sheet


@given(sheets)
@settings(**UNTIMED)
def test_what_is_kept_comes_back(tmp_path_factory, sheet):
    """Oracle: property: load(save(x)) == x, with one history line more."""
    store = Store(tmp_path_factory.mktemp("s"))
    kept = store.save(sheet, "rung out", AT)
    assert store.load(sheet_name(sheet)) == kept
    assert replace(kept, version=0, history=()) == replace(sheet, version=0, history=())
    assert set(sheet.history) <= set(kept.history)
    assert kept.history[-1] == Change(AT, "rung out")


@given(st.lists(st.tuples(st.integers(0, 30), gains, st.booleans()), min_size=1, max_size=8))
@settings(**UNTIMED)
def test_no_version_is_ever_lost_or_changed(tmp_path_factory, moves):
    """Oracle: property: every file that was there stays, byte for byte; history only grows."""
    store = Store(tmp_path_factory.mktemp("s"))
    newest, before, lines = PLAIN, {}, ()
    for band, gain, is_from_old in moves:
        base = PLAIN if is_from_old else newest
        newest = store.save(base.with_faders({band: gain}), f"fader {band}", AT)
        now = {path.name: path.read_bytes() for path in store.folder.iterdir()}
        assert before.items() < now.items()
        assert newest.history[: len(lines)] == lines
        before, lines = now, newest.history
    assert store.versions(NAME) == tuple(range(1, len(moves) + 1))
    assert len(lines) == len(moves)


@given(st.integers(0, 3000))
@settings(**UNTIMED)
def test_a_file_cut_short_is_found_out(at):
    """Oracle: property: no beginning of a file passes for a sheet, except the whole of it."""
    text = toml_text(replace(PLAIN, note="x" * 200, history=(Change(AT, "rung out"),)))
    cut = text[:at]
    if cut == text:
        return
    with pytest.raises(SheetError, match=r"Half written|is missing|must be"):
        sheet_from_toml(cut, "x")


def test_a_number_cut_in_two_is_found_out():
    """Oracle: definition: `-12.0` cut to `-1` is good TOML and a wrong fader."""
    text = toml_text(PLAIN.with_faders({30: -12.0}))
    assert text.endswith("-12.0\n")
    with pytest.raises(SheetError, match="ends in the middle of a line"):
        sheet_from_toml(text[: -len("2.0\n")], "x")


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("format = 1", "format = 2", r"newer prehowl \(format 2.*left alone"),
        ('mic = "Vocal mic"', "", "mic is missing"),
        ('mic = "Vocal mic"', 'mic = ""', "mic is empty"),
        ('mic = "Vocal mic"', "mic = 3", "mic must be text"),
        ('mic = "Vocal mic"', f'mic = "{"x" * 300}"', "mic has 300 characters; must be at most 40"),
        ('mic = "Vocal mic"', 'mic = "a\\nb"', "printable"),
        ("rate_hz = 48000", "rate_khz = 48", "rate_khz unknown key. Did you mean 'rate_hz'"),
        ('"2.5 kHz"  =  -3.0', '"2.5 kHz"  =  -30', "faders_db.2.5 kHz is -30; must be"),
        ('"2.5 kHz"  =  -3.0', '"2.5 kHz"  =  true', "faders_db.2.5 kHz is True"),
        ('"2.5 kHz"  =  -3.0', '"2.5 kHz"  =  nan', "faders_db.2.5 kHz is nan"),
        ('"2.5 kHz"  =  -3.0', '"2.6 kHz"  =  -3', "no such fader"),
        ('"2.5 kHz"  =  -3.0\n', "", "faders_db.2.5 kHz is missing"),
        ("band_hz = 2500.0", "band_hz = 2600.0", "no nominal band"),
        (f'at = "{AT}"', 'at = "yesterday"', "rings.1..at is 'yesterday'; must be a date"),
        ("fader_cap_db = 12.0", "fader_cap_db = 1\n#", "must be at least a fader step"),
        ("[[rings]]", "[[rings]", "not valid TOML"),
        ("[faders_db]", "[faders]", "faders_db is missing"),
    ],
)
def test_a_bad_file_is_told_in_one_line(old, new, message):
    """Oracle: the documented faults: what, where, what would be right."""
    text = toml_text(PLAIN).replace("fader_step_db = 0.5", "fader_step_db = 1.5")
    assert old in text
    with pytest.raises(SheetError, match=message) as caught:
        sheet_from_toml(text.replace(old, new), "x.toml")
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith("sheet x.toml: ")


@pytest.mark.parametrize(
    ("mic", "word"),
    [
        ("Mix 1/2", "mix-1-2"),
        ("../../etc/passwd", "etc-passwd"),
        ("Bühne Rechts", "bühne-rechts"),
        ("🎤 hot one", "hot-one"),
        ("CON.", "con"),
        ("ＦＵＬＬ", "full"),
    ],
)
def test_names_become_safe_file_names(mic, word):
    """Oracle: definition: letters and digits in lower case, dashes for the rest."""
    name = sheet_name(replace(PLAIN, mic=mic))
    assert name == f"wedge-12--{word}--mix-1"
    assert parse_file_name(f"{name}.v7.toml") == (name, 7)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"mic": "🎤🎤"}, "needs a letter or digit"),
        ({"mic": "///"}, "needs a letter or digit"),
        ({"mic": "x" * 300}, "300 characters; must be at most 40"),
        ({"mic": "字" * 40, "mix": "字" * 40}, "too long for a file name"),
        ({"temperature_c": 99.0}, "temperature_c is 99.0; must be"),
        ({"faders_db": (-99.0,) * 31}, "faders_db.20 Hz is -99"),
    ],
)
def test_what_cannot_be_read_back_is_never_written(store, change, message):
    """Oracle: the documented errors; the folder stays as it was."""
    with pytest.raises(SheetError, match=message):
        store.save(replace(PLAIN, **change), "x", AT)
    assert not store.folder.exists()


def test_two_names_for_one_file_are_refused_and_nothing_is_overwritten(store):
    """Oracle: definition: `Mix 1/2` and `Mix 1-2` make the same file name."""
    store.save(replace(PLAIN, mix="Mix 1/2"), "x", AT)
    with pytest.raises(SheetError, match=r"same file name .* as 'Wedge 12 / Vocal mic / Mix 1/2'"):
        store.save(replace(PLAIN, mix="Mix 1-2"), "x", AT)
    assert store.versions("wedge-12--vocal-mic--mix-1-2") == (1,)
    assert store.save(replace(PLAIN, mix="mix  1/2"), "x", AT).version == 2


def test_a_copy_made_by_hand_is_told_not_mixed_up(store):
    """Oracle: documented: a file that is named otherwise than its sheet is a fault."""
    store.save(PLAIN, "x", AT)
    file = store.folder / f"{NAME}.v1.toml"
    (store.folder / f"{NAME}.v2.toml").write_bytes(file.read_bytes())
    (store.folder / "copy of it.toml").write_bytes(file.read_bytes())
    listing = store.listing()
    assert [name for name, _ in listing.sheets] == [NAME]
    assert len(listing.faults) == 2
    assert "two of one name" in listing.faults[0]
    assert "not named as a sheet" in listing.faults[1]
    assert read_file(store.folder / "copy of it.toml").title == PLAIN.title


def test_a_damaged_newest_version_hides_no_older_one(store):
    """Oracle: documented: the newest that can be read is named, the damaged one stays there."""
    first = store.save(PLAIN, "rung out", AT)
    bad = store.folder / f"{NAME}.v2.toml"
    bad.write_text(toml_text(replace(PLAIN, version=2))[:300])
    with pytest.raises(SheetError, match=f"Version 1 can be read: {NAME}@1"):
        store.load(NAME)
    assert store.load(NAME, 1) == first
    assert [sheet for _, sheet in store.listing().sheets] == [first]
    third = store.save(first, "again", AT)
    assert third.version == 3
    assert third.history == (*first.history, Change(AT, "again"))
    assert bad.exists()


def test_a_sheet_is_found_by_words(store):
    """Oracle: documented: exact name first, else all words, and ambiguity lists what matches."""
    store.save(PLAIN, "x", AT)
    store.save(replace(PLAIN, mix="Mix 10"), "x", AT)
    assert store.find(NAME) == (NAME, None)
    assert store.find("mix-10") == (f"{NAME}0", None)
    assert store.find("mix-1 vocal") == (NAME, None)
    assert store.find("Vocal 10@3") == (f"{NAME}0", 3)
    with pytest.raises(SheetError, match=f"may be any of: {NAME}, {NAME}0"):
        store.find("vocal")
    with pytest.raises(SheetError, match="There are"):
        store.find("drums")
    with pytest.raises(SheetError, match="whole number from 1"):
        store.find("vocal@x")
    with pytest.raises(SheetError, match=r"no version 9\. There are: 1"):
        store.load(NAME, 9)
    with pytest.raises(SheetError, match="not in"):
        store.load("nothing")
    with pytest.raises(SheetError, match="no sheet yet"):
        Store(store.folder / "empty").find("vocal")


def test_a_number_is_no_part_of_another_number(store):
    """Oracle: the desk: mix 2 must never be answered with mix 1 because its wedge has 12 inches."""
    name = sheet_name(store.save(replace(PLAIN, monitor="Wedge 12", mix="Mix 1"), "x", AT))
    assert store.find("wedge 12") == (name, None)
    assert store.find("mix 1") == (name, None)
    with pytest.raises(SheetError, match="There are"):
        store.find("mix 2")


@pytest.mark.parametrize("call", ["fsync", "link"])
@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EROFS, errno.EIO])
def test_a_full_or_read_only_disk_changes_nothing(store, monkeypatch, call, code):
    """Oracle: documented: one clear error, no half file, what was there is there."""
    kept = store.save(PLAIN, "x", AT)

    def fails(*_args: object, **_more: object) -> None:
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(f"prehowl.daemon.sheets.write_once.os.{call}", fails)
    with pytest.raises(OutputError, match=r"cannot be written to .* Nothing was changed"):
        store.save(PLAIN, "y", AT)
    monkeypatch.undo()
    assert [path.name for path in store.folder.iterdir()] == [f"{NAME}.v1.toml"]
    assert store.load(NAME) == kept


def test_it_is_on_the_disk_before_it_has_its_name(store, monkeypatch):
    """Oracle: definition of crash safety: forced to disk, then linked, then the folder."""
    done = []
    link = os.link
    monkeypatch.setattr(os, "fsync", lambda _handle: done.append("fsync"))
    monkeypatch.setattr(os, "link", lambda *paths: (done.append("link"), link(*paths)))
    store.save(PLAIN, "x", AT)
    assert done == ["fsync", "link", "fsync"]


def test_what_a_crash_left_behind_is_passed_over(store):
    """Oracle: definition: a file without its name is no sheet, and disturbs none."""
    kept = store.save(PLAIN, "x", AT)
    (store.folder / ".new-abc.tmp").write_text(toml_text(PLAIN)[:100])
    assert store.listing().sheets == ((NAME, kept),)
    assert store.listing().faults == ()


def test_a_folder_that_is_a_file_is_told(tmp_path):
    """Oracle: documented."""
    file = tmp_path / "sheets"
    file.write_text("x")
    with pytest.raises(SheetError, match="cannot be read"):
        Store(file / "deeper").save(PLAIN, "x", AT)
    with pytest.raises(SheetError, match="cannot be read"):
        Store(file).listing()


def test_a_file_system_without_links_works_too(store, monkeypatch):
    """Oracle: definition: memory sticks refuse hard links with EPERM; nothing is overwritten."""

    def refuses(*_args: object) -> None:
        raise OSError(errno.EPERM, "no links here")

    monkeypatch.setattr("prehowl.daemon.sheets.write_once.os.link", refuses)
    first = store.save(PLAIN, "x", AT)
    second = store.save(PLAIN, "y", AT)
    assert (store.load(NAME, 1), store.load(NAME)) == (first, second)
    assert len(list(store.folder.iterdir())) == 2


def test_two_at_once_both_keep_their_version(store, monkeypatch):
    """Oracle: definition: the second to arrive takes the next number."""
    store.save(PLAIN, "first", AT)
    others = Store(store.folder)
    files = Store._files
    is_raced = []

    def raced(self: Store) -> object:
        found = files(self)
        if self is store and len(is_raced) < 2:
            is_raced.append(True)
            others.save(PLAIN, "theirs", AT)
        return found

    monkeypatch.setattr(Store, "_files", raced)
    mine = store.save(PLAIN, "mine", AT)
    monkeypatch.undo()
    told = [store.load(NAME, n).history[-1].what for n in store.versions(NAME)]
    assert told == ["first", "theirs", "theirs", "mine"]
    assert mine.version == 4
    assert [line.what for line in mine.history] == told


def test_what_is_no_text_is_told(tmp_path):
    """Oracle: documented."""
    binary = tmp_path / "a.toml"
    binary.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(SheetError, match="not UTF-8 text"):
        read_file(binary)
    binary.write_bytes(b"#" * 2_000_000)
    with pytest.raises(SheetError, match="surely no sheet"):
        read_file(binary)
    with pytest.raises(SheetError, match="No such file"):
        read_file(tmp_path / "b.toml")


def test_sheets_live_in_the_users_data_folder(monkeypatch, tmp_path):
    """Oracle: XDG Base Directory Specification 0.8 (from memory): relative paths are ignored."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    assert default_folder() == tmp_path / "prehowl" / "sheets"
    monkeypatch.setenv("XDG_DATA_HOME", "relative")
    monkeypatch.setenv("HOME", str(tmp_path / "me"))
    assert data_folder() == tmp_path / "me" / ".local" / "share" / "prehowl"


def test_a_fader_at_the_cap_is_known():
    """Oracle: definition: within half a step of the cap."""
    sheet = replace(PLAIN, fader_cap_db=6.0).with_faders({21: -6, 22: -5.5, 23: -7})
    assert [sheet.at_cap(band) for band in (20, 21, 22, 23)] == [False, True, False, True]
