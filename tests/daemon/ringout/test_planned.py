"""What a ring-out begins with: options, a sheet, the show file; and what of them is kept."""

import argparse
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from prehowl.daemon.cli import main, parser_of
from prehowl.daemon.commands import ringout
from prehowl.daemon.errors import SheetError, UsageError
from prehowl.daemon.ringout.job import Job, Outcome
from prehowl.daemon.ringout.journal import recall
from prehowl.daemon.ringout.keep import sheet_of
from prehowl.daemon.ringout.planned import plan_of
from prehowl.daemon.ringout.session import begin
from prehowl.daemon.ringout.state import Plan
from prehowl.daemon.sheets.sheet import Sheet
from prehowl.daemon.sheets.store import Store
from prehowl.daemon.show import default_show
from prehowl.detectors.graphic_eq import EqKind

AT = "2026-01-01T00:00:00+00:00"
NAMES = ("--mix", "Mix 1", "--monitor", "Wedge 12", "--mic", "Vocal mic")
KEPT = Sheet(
    "Wedge 12",
    "Vocal mic",
    "Mix 1",
    eq="proportional-q",
    rate_hz=96_000,
    fader_step_db=1.0,
    fader_cap_db=12.0,
).with_faders({5: -2.0, 21: -8.0})


@pytest.fixture(autouse=True)
def _own_data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "a folder")


def told(*words: str) -> argparse.Namespace:
    return parser_of("ringout").parse_args(["--virtual", *NAMES, *words])


def planned(store: Store, *words: str) -> Plan:
    return plan_of(told(*words), default_show(), store, 1)


def test_a_sheet_comes_back_as_it_was_with_its_equaliser(store: Store) -> None:
    """Oracle: round trip: nothing rang, so the sheet that is kept is the one it began with."""
    store.save(KEPT, "made", AT)
    sheet = sheet_of(begin(planned(store, "--from-sheet", "wedge vocal 1")), AT)
    same = replace(KEPT, pull_back_db=sheet.pull_back_db, made_at=AT)
    assert sheet == same


def test_an_option_counts_before_the_sheet_and_the_sheet_before_the_show(store: Store) -> None:
    """Oracle: definition, value by value."""
    store.save(KEPT, "made", AT)
    plan = planned(
        store, "--from-sheet", "wedge", "--eq", "constant-q", "--step", "0.5", "--cap", "9"
    )
    assert (plan.eq_kind, plan.step_db, plan.cap_db) == (EqKind.CONSTANT_Q, 0.5, 9.0)
    show = default_show()
    show = replace(show, advice=replace(show.advice, fader_step_db=0.25))
    assert plan_of(told(), show, store, 1).step_db == 0.25
    assert plan_of(told("--from-sheet", "wedge"), show, store, 1).step_db == 1.0
    assert plan_of(told(), show, store, 3).channel == 3


def test_a_boost_is_refused_with_the_way_out(
    store: Store, capsys: pytest.CaptureFixture[str]
) -> None:
    """Oracle: the command that is told is run, and then the sheet is taken."""
    store.save(KEPT.with_faders({6: 2.0, 19: 1.0}), "made", AT)
    with pytest.raises(SheetError, match=r"80 Hz at \+2 dB, 1.6 kHz at \+1 dB") as fault:
        planned(store, "--from-sheet", "wedge")
    command = str(fault.value).partition("on the desk: ")[2]
    assert command.endswith(f"--folder '{store.folder}'")
    words = command.replace(f"'{store.folder}'", "FOLDER").split()
    assert main([str(store.folder) if word == "FOLDER" else word for word in words[1:]]) == 0
    assert "version 2" in capsys.readouterr().out
    assert planned(store, "--from-sheet", "wedge").start_db[6] == 0.0
    with pytest.raises(SheetError, match="edit wedge-12--vocal-mic--mix-1@1 80 0"):
        planned(store, "--from-sheet", "wedge@1")


@pytest.mark.parametrize(
    "words", [("--step", "3", "--cap", "1"), ("--from-sheet", "w", "--cap", "1.0", "--step", "1.5")]
)
def test_a_cap_below_one_step_is_refused_before_anything_rings(
    store: Store, words: tuple[str, ...]
) -> None:
    """Oracle: definition: no fader could move."""
    store.save(KEPT, "made", AT)
    with pytest.raises(UsageError, match="no fader could move"):
        planned(store, *words)
    assert planned(store, "--step", "3", "--cap", "3").cap_db == 3.0


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    """Ring out a second of silence with a folder and a show file; keep the journal's head only."""
    wav, path, show = tmp_path / "quiet.wav", tmp_path / "j.jsonl", tmp_path / "show.toml"
    soundfile.write(wav, np.zeros(48000, np.float32), 48000)
    show.write_text('[[channels]]\nnumber = 1\nname = "Wedge downstage"\n')
    words = ("--recording", str(wav), "--folder", "stick", "--show", "show.toml")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(tmp_path)
        assert main(["ringout", *words, "--journal", str(path), "--format", "json", *NAMES]) == 0
    path.write_bytes(path.read_bytes().splitlines(keepends=True)[0])
    return path


def test_resumed_it_keeps_the_sheet_in_the_folder_that_was_told(
    journal: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Oracle: the folder on the disk; from another working folder, and with another one told."""
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path / "elsewhere")
    before = journal.read_bytes()
    assert main(["ringout", "--resume", str(journal), "--format", "json"]) == 0
    (name,) = Store(tmp_path / "stick").names()
    assert Store(tmp_path / "stick").versions(name) == (1, 2)
    assert not (tmp_path / "data" / "prehowl" / "sheets").exists()
    journal.write_bytes(before)
    assert main(["ringout", "--resume", str(journal), "--folder", "other"]) == 0
    assert Store(tmp_path / "elsewhere" / "other").versions(name) == (1,)


def test_the_folder_of_a_show_file_takes_the_sheet(journal: Path, tmp_path: Path) -> None:
    """Oracle: docs/sheets.md: the folder that a show file names, beside the file."""
    show = tmp_path / "show.toml"
    show.write_text('[sheets]\nfolder = "of the show"\n')
    words = ("--recording", str(tmp_path / "quiet.wav"), "--show", str(show), "--format", "json")
    assert main(["ringout", *words, *NAMES]) == 0
    assert len(Store(tmp_path / "of the show").names()) == 1


def test_resumed_its_names_are_checked_before_anything_sounds(
    journal: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Oracle: the store's own refusal, exit code 2, and nothing more in the journal."""
    Store(tmp_path / "other").save(replace(KEPT, mix="Mix-1"), "made", AT)
    before = journal.read_bytes()
    assert main(["ringout", "--resume", str(journal), "--folder", str(tmp_path / "other")]) == 2
    assert "would have the same file name" in capsys.readouterr().err
    assert journal.read_bytes() == before


def test_resumed_it_has_its_show_file_again(
    journal: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Oracle: a channel's name that only the show file tells; without the file it goes on."""
    names: list[str] = []

    def named(job: Job, _stop: object) -> Outcome:
        names.append(job.show.names(1)[0])
        return Outcome(job.state, None)

    monkeypatch.setattr(ringout, "run_job", named)
    words = ["ringout", "--resume", str(journal)]
    assert main(words) == 0
    (tmp_path / "show.toml").rename(tmp_path / "moved.toml")
    assert main(words) == 0
    assert "going on without it" in capsys.readouterr().err
    assert main([*words, "--show", str(tmp_path / "moved.toml")]) == 0
    assert [name == "Wedge downstage" for name in names] == [True, False, True]


def test_a_journal_of_before_they_were_noted_is_read(journal: Path) -> None:
    """Oracle: definition: neither folder nor show file is known."""
    head = json.loads(journal.read_text())
    assert Path(head.pop("folder")).name == "stick"
    assert Path(head.pop("show")).is_absolute()
    journal.write_text(json.dumps(head) + "\n")
    recalled = recall(journal)
    assert (recalled.folder, recalled.show) == ("", "")
    assert recalled.plan.mix == "Mix 1"


@pytest.fixture
def stick(tmp_path: Path) -> Path:
    """Begin a ring-out with a show on a stick that brings its sheets along; cut it short, and mount
    the stick elsewhere. Returns the journal.
    """
    wav, path, show = tmp_path / "quiet.wav", tmp_path / "j.jsonl", tmp_path / "a" / "show.toml"
    soundfile.write(wav, np.zeros(4800, np.float32), 48000)
    show.parent.mkdir()
    show.write_text('[sheets]\nfolder = "sheets"\n')
    words = ("--recording", str(wav), "--show", str(show), "--journal", str(path))
    assert main(["ringout", *words, "--format", "json", *NAMES]) == 0
    path.write_bytes(path.read_bytes().splitlines(keepends=True)[0])
    (tmp_path / "a" / "sheets").rename(tmp_path / "first")
    show.parent.rename(tmp_path / "b")
    return path


@pytest.mark.parametrize(
    ("words", "place"),
    [
        (("--show", "b/show.toml"), "b/sheets"),
        (("--show", "b/show.toml", "--folder", "c"), "c"),
        (("--folder", "c"), "c"),
        (("--show", "plain.toml"), "a/sheets"),
        ((), "a/sheets"),
    ],
)
def test_resumed_it_keeps_the_sheet_where_it_is_told_to_now(
    stick: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    words: tuple[str, ...],
    place: str,
) -> None:
    """Oracle: the sheet on the disk: in the folder of the show that is named now, in the one that
    is told, else where it was to go at the beginning; a change is said.
    """
    monkeypatch.chdir(tmp_path)
    (tmp_path / "plain.toml").write_text('[[channels]]\nnumber = 1\nname = "Wedge"\n')
    assert main(["ringout", "--resume", str(stick), *words, "--format", "json"]) == 0
    kept = {str(path.parent.relative_to(tmp_path)) for path in tmp_path.rglob("wedge*.toml")}
    assert kept == {"first", place}
    assert ("no longer in" in capsys.readouterr().err) is (place != "a/sheets")
