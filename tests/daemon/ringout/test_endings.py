"""How a ring-out ends: left half way, at a recording's end, with a sheet that cannot be kept."""

import contextlib
import os
import shlex
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

from prehowl.daemon.cli import main
from prehowl.daemon.commands import ringout
from prehowl.daemon.events import RingEvent
from prehowl.daemon.ringout import acts
from prehowl.daemon.ringout.conductor import Conductor
from prehowl.daemon.ringout.journal import Journal, Unwritten, recall
from prehowl.daemon.ringout.keep import journal_folder, newest_unfinished
from prehowl.daemon.ringout.session import begin
from prehowl.daemon.ringout.state import Phase, Plan
from prehowl.daemon.sheets.sheet import Sheet
from prehowl.daemon.sheets.store import Store
from prehowl.daemon.sinks.osc import OscSink
from prehowl.detectors.rings import RingState

RATE_HZ = 48000
NAMES = ["--mix", "Mix 1", "--monitor", "Wedge 12", "--mic", "Vocal mic"]


pytestmark = pytest.mark.usefixtures("own_data")


class LooksUntil:
    """A stop that is set when it has been looked at so often: a person who leaves in the middle."""

    def __init__(self, looks: int) -> None:
        self._left = looks

    def is_set(self) -> bool:
        """Tell whether to stop."""
        self._left -= 1
        return self._left < 0

    def set(self) -> None:
        """Take the end of a finished ring-out."""
        self._left = 0


def test_a_recording_that_is_left_keeps_no_sheet_and_one_that_ends_does(
    recording: str, tmp_path: Path, capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    """Oracle: definition: half a recording is no ring-out; the sheet of yesterday stays the newest.

    The command that goes on is a shell's words, whatever the journal is called.
    """
    store = Store(tmp_path / "data" / "prehowl" / "sheets")
    sheet = Sheet("Wedge 12", "Vocal mic", "Mix 1").with_faders({17: -3.0})
    name = store.check(store.save(sheet, "made", "2026-01-01T00:00:00+00:00"))
    journal = "my journal.jsonl"

    @contextlib.contextmanager
    def leaving() -> Iterator[LooksUntil]:
        yield LooksUntil(10)

    with monkeypatch.context() as patched:
        patched.setattr(ringout, "stop_on_signals", leaving)
        assert main(["ringout", "--recording", recording, *NAMES, "--journal", journal]) == 0
    said = capsys.readouterr().err.splitlines()[-1]
    assert "not finished, nothing is lost" in said
    assert store.versions(name) == (1,)
    assert not any(isinstance(entry, acts.Finish) for entry in recall(Path(journal)).entries)
    told = shlex.split(said)
    assert main(told[told.index("ringout") :]) == 0
    assert store.versions(name) == (1, 2)


def test_a_folder_that_takes_no_writing_is_told_before_anything_sounds(
    recording: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Oracle: exit code 3, one line that names the folder, no journal begun.

    In /proc nobody makes a file, root neither; without one, in / of a system that is read only.
    """
    words = [*NAMES, "--folder", "/proc/stick", "--journal", "j.jsonl"]
    assert main(["ringout", "--recording", recording, *words]) == 3
    err = capsys.readouterr().err
    assert "sheets folder /proc/stick: cannot be written to" in err
    assert err.count("\n") == 1
    assert not Path("j.jsonl").exists()


def test_the_trial_of_a_folder_leaves_nothing(tmp_path: Path) -> None:
    """Neither a file nor the folder itself."""
    before = sorted(tmp_path.rglob("*"))
    Store(tmp_path / "to" / "be" / "made").check_folder()
    Store(tmp_path).check_folder()
    assert sorted(tmp_path.rglob("*")) == before


def test_a_sheet_that_cannot_be_kept_costs_no_result(
    recording: str, tmp_path: Path, capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    """The folder goes after it was tried: the result is printed, then exit code 3 and the command
    that keeps the sheet when the folder is back.
    """
    folder = tmp_path / "stick"
    tried = Store.check_folder

    def tried_then_gone(store: Store) -> None:
        tried(store)
        folder.write_text("no folder any more")

    words = [*NAMES, "--folder", str(folder), "--journal", "my journal.jsonl"]
    with monkeypatch.context() as patched:
        patched.setattr(Store, "check_folder", tried_then_gone)
        assert main(["ringout", "--recording", recording, *words]) == 3
    out, err = capsys.readouterr()
    assert "now pull the send back by 6 dB" in out
    last = err.splitlines()[-1]
    assert "the sheet is not kept" in last
    assert str(folder) in last
    assert not recall(Path("my journal.jsonl")).is_finished
    folder.unlink()
    Path(recording).unlink()  # by then the rig is packed up, too
    told = shlex.split(last.partition("Then: prehowl ")[2])
    assert main([*told, "--headless"]) == 0
    assert "now pull the send back by 6 dB" in capsys.readouterr().out
    assert Store(folder).names() == ("wedge-12--vocal-mic--mix-1",)
    assert recall(Path("my journal.jsonl")).is_finished


def a_journal(name: str, written_s: int) -> Path:
    """Begin a journal that was written last at some time."""
    path = journal_folder() / name
    Journal.begin(path, Plan(), {"kind": "virtual"}).close()
    os.utime(path, (written_s, written_s))
    return path


def test_the_newest_ring_out_is_the_one_that_was_written_last() -> None:
    """A local clock went back between them: the name of the later one is the earlier time."""
    a_journal("20261127-043000.jsonl", 1_000)
    later = a_journal("20261126-113004.jsonl", 1_004)
    a_journal("20261126-113002.jsonl", 1_002)
    (journal_folder() / "20261128-000000.jsonl").symlink_to("nowhere")
    assert newest_unfinished() == later


@pytest.mark.parametrize("columns", [60, 80, 200])
def test_the_cautions_break_between_words(
    recording: str,
    capsys: pytest.CaptureFixture[str],
    columns: int,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """No line is wider than the terminal, with what stands before; 80 columns at most."""
    monkeypatch.setenv("COLUMNS", str(columns))
    assert main(["ringout", "--recording", recording, *NAMES, "--journal", "j.jsonl"]) == 0
    lines = capsys.readouterr().err.split("prehowl: journal:")[0].splitlines()
    assert any("LAW" in line for line in lines)
    assert max(map(len, lines)) < min(80, columns)


def test_a_silent_channel_is_told_over_osc_and_in_lines_in_place_of_more_gain(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Through the whole command: what the OSC sink is handed of a recording of exact zeros."""
    shown = []
    monkeypatch.setattr(OscSink, "show_ringout", lambda _sink, values: shown.append(values))
    path = tmp_path / "zeros.wav"
    soundfile.write(path, np.zeros(RATE_HZ, np.float32), RATE_HZ, subtype="FLOAT")
    assert main(["ringout", "--recording", str(path), *NAMES, "--journal", "j.jsonl"]) == 0
    states = [values["/prehowl/ringout/state"][1] for values in shown]
    assert states == [1, 4, 5, 0]
    text = shown[1]["/prehowl/ringout/text"][1]
    assert "open the mic" in text
    assert "aise" not in text
    lines = capsys.readouterr().err.splitlines()
    assert [line for line in lines if line.endswith(text)]
    assert "Done" in lines[next(n for n, line in enumerate(lines) if text in line) + 1]


class Floors:
    """A noise floor that goes as it is told, and sound that can be missing."""

    def __init__(self) -> None:
        self.level_dbfs, self.gaps = -70.0, 0

    def read_floor(self) -> tuple[float, ...]:
        """Return the same level in every band."""
        return (self.level_dbfs,) * 31

    def forget(self) -> None:
        """Do nothing."""


def test_what_rings_after_the_end_changes_nothing() -> None:
    """Oracle: definition: the gain won on the last page is the one on the sheet, and a disk that
    is full by then cannot take the page away.
    """
    log, floor = Unwritten(), Floors()
    conductor = Conductor(begin(Plan()), log, floor=floor)
    conductor.start()

    def tell(ring_id: int, state: RingState, time_s: float, hertz: float) -> None:
        conductor.on_event(
            RingEvent(ring_id, 1, "Mix", state, time_s, time_s, hertz, 1000, -20.0, 30.0, -0.2, 3.0)
        )

    tell(1, RingState.RINGING, 1.0, 2513.0)
    conductor.submit(acts.Made(0.0))
    tell(1, RingState.CLEARED, 2.0, 2513.0)
    floor.level_dbfs = -64.0
    conductor.submit(acts.Finish(0.0))
    tell(2, RingState.CLEARED, 20.0, 800.0)
    finished, entries = conductor.state, list(log.entries)
    assert finished.phase is Phase.FINISHED
    assert finished.gain_won is not None
    floor.level_dbfs = -74.0
    tell(3, RingState.RINGING, 30.0, 800.0)
    floor.gaps = 1
    tell(3, RingState.CLEARED, 40.0, 800.0)
    conductor.submit(acts.Raised(0.0, 1.0))
    conductor.close()
    assert conductor.state is finished
    assert list(log.entries) == entries
