"""The end of a ring-out that has a screen."""

import io
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pytest
from fakes import FakeSource
from rich.console import Console

from prehowl.daemon.cli import main
from prehowl.daemon.loop import StopFlag
from prehowl.daemon.ringout import job
from prehowl.daemon.ringout.conductor import Conductor
from prehowl.daemon.ringout.ending import Ending
from prehowl.daemon.ringout.job import Job
from prehowl.daemon.ringout.journal import Journal
from prehowl.daemon.ringout.keep import new_journal_path, newest_unfinished
from prehowl.daemon.ringout.origins import Opened, Origin
from prehowl.daemon.ringout.session import begin
from prehowl.daemon.ringout.state import Phase, Plan
from prehowl.daemon.sheets.store import Store
from prehowl.daemon.show import default_show
from prehowl.daemon.sinks.dashboard.themes import DARK
from prehowl.daemon.sinks.ringout import RingoutScreen, examples
from prehowl.daemon.sinks.ringout.render import render

NAMES = ["--mix", "Mix 1", "--monitor", "Wedge 12", "--mic", "Vocal mic"]


pytestmark = pytest.mark.usefixtures("own_data")


@pytest.mark.parametrize(("named", "words"), [(False, "--resume"), (True, "--resume my.jsonl")])
def test_the_reason_and_the_command_fit_on_a_small_screen(
    tmp_path: Path, named: bool, words: str
) -> None:
    """Oracle: definition, at 80x24 with the paths of a real stick and a real home; the command
    alone finds a journal where journals are, and that is the one it goes on with.
    """
    folder = tmp_path / "media" / "STAGE"
    folder.parent.mkdir()
    folder.write_text("no folder any more")
    path = Path("my.jsonl") if named else new_journal_path(datetime(2026, 5, 1, 21))
    plan = Plan("Mix 1", "Wedge 12", "Vocal")
    log = Journal.begin(path, plan, {})
    plan_job = Job(
        Origin("device"), Opened(FakeSource([]), "interface"), default_show(),
        begin(plan), log, Store(folder), False, True, "fast", False,
    )  # fmt: skip
    model = examples.moment("finished", now_s=1.0)
    ending = Ending(
        log, plan_job.store, plan_job.resumed_by, resumed_shortly=plan_job.resumed_shortly,
        end=None, say=model.note, complain=model.note_trouble,
    )  # fmt: skip
    ending.on_state(replace(plan_job.state, phase=Phase.FINISHED), None)
    log.close()
    text = render(model.view(1.0), 80, 24, DARK, 1.0).text()
    lines = [line.strip() for line in text.splitlines()]
    assert f"Then: prehowl ringout {words}" in lines
    reason = next(line for line in lines if line.startswith("NOT KEPT: "))
    assert reason.startswith("NOT KEPT: Not a directory: /")
    assert str(path) in str(ending.fault)
    if not named:
        assert newest_unfinished() == path


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> io.StringIO:
    """Give the command a screen on a terminal in memory; return what is drawn."""
    out = io.StringIO()

    def in_memory(_job: Job, conductor: Conductor, stop: StopFlag) -> RingoutScreen:
        console = Console(width=80, height=24, file=out, force_terminal=True)
        return RingoutScreen(conductor.submit, on_quit=stop.set, console=console)

    monkeypatch.setattr(RingoutScreen, "is_possible", lambda: True)
    monkeypatch.setattr(job, "_screen", in_memory)
    return out


def test_with_a_screen_it_is_told_again_where_the_sheet_is(
    recording: str, tmp_path: Path, drawn: io.StringIO, capsys: pytest.CaptureFixture[str]
) -> None:
    """A recording's screen is gone at its end, with what it said."""
    words = [*NAMES, "--folder", str(tmp_path / "sheets"), "--pace", "fast"]
    assert main(["ringout", "--recording", recording, *words]) == 0
    said = [line for line in capsys.readouterr().err.splitlines() if "sheet kept" in line]
    assert len(said) == 1
    assert said[0].endswith(f"version 1, in {tmp_path / 'sheets'}")
    assert drawn.getvalue()
