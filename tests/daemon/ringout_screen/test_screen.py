"""The ring-out screen as a sink and a watcher, on a terminal in memory; and its cautions."""

import errno
import io
import threading

import pytest
from conformance import SinkConformance
from osc_receiver import wait_for
from rich.console import Console

from prehowl.daemon.errors import UsageError
from prehowl.daemon.ringout import acts
from prehowl.daemon.ringout.hearing import Deaf
from prehowl.daemon.sinks.ringout import RingoutScreen, cautions, examples
from prehowl.daemon.sinks.ringout.wording import DEAF, task_words


def in_memory():
    """Return a terminal that only remembers."""
    return Console(width=80, height=24, file=io.StringIO(), force_terminal=True)


def made(submit=lambda act: None, on_quit=lambda: None, **more):
    """Return a screen that is not started, with a clock that stands still."""
    return RingoutScreen(submit, on_quit=on_quit, console=in_memory(), **more)


class TestRingoutScreen(SinkConformance):
    """The promises of every sink."""

    def make(self, tmp_path):
        """Return a fresh screen."""
        return made()


def test_keys_reach_the_ring_out_and_leaving_is_told():
    """What a key means goes to `submit`; two presses of `q` go to `on_quit`."""
    now_s = [10.0]
    submitted, left = [], []
    screen = made(submitted.append, lambda: left.append(True), clock=lambda: now_s[0])
    screen.on_state(examples.state("pull"), None)
    screen.obey("confirm")
    assert submitted == []
    now_s[0] = 11.0
    for action in ("confirm", "quit", "quit"):
        screen.obey(action)
    assert submitted == [acts.Made(0.0)]
    assert left == [True]


def test_notes_stand_in_the_summary():
    """Where the sheet is can be told while the screen is up."""
    screen = made()
    screen.on_state(examples.state("finished"), None)
    screen.note("Sheet saved: here.toml")
    console = screen._screen
    text = screen.frame(80, 24, console.theme, console._signs).text()
    assert "Sheet saved: here.toml" in text


def test_a_broken_screen_goes_on_as_lines(capsys):
    """After a fault in drawing the instructions follow on stderr, and nothing is lost."""
    screen = made()
    screen.frame = lambda *_: 1 / 0
    screen.start()
    try:
        wait_for(lambda: screen.faults == 1)
        screen.on_state(examples.state("pull"), None)
        said = []
        wait_for(lambda: said.append(capsys.readouterr().err) or "Pull 2.5 kHz" in "".join(said))
    finally:
        screen.close()
    assert "the ring-out screen has failed (ZeroDivisionError" in "".join(said)
    assert "--resume" in "".join(said)
    assert screen._screen.console.file.getvalue().count("\x1b[?1049l") == 1


def test_a_broken_screen_tells_that_nothing_is_heard():
    """In place of more gain, and what to do when sound is back; each once."""
    screen = made()
    screen.on_state(examples.start(), None)
    raise_it, unheard = task_words(examples.start()), DEAF[Deaf.SILENT]
    assert screen.lines_instead() == [f"prehowl: {raise_it}"]
    for deaf in (Deaf.SILENT, None):
        screen.on_hearing(deaf)
        screen.on_state(examples.start(), None)
    assert screen.lines_instead() == [f"prehowl: {unheard}", f"prehowl: {raise_it}"]
    screen.on_state(examples.state("pull"), None)
    screen.on_hearing(Deaf.SILENT)  # the instruction outlasts it
    assert len(screen.lines_instead()) == 1


def test_a_screen_whose_terminal_is_gone_goes_on_as_lines(capsys, monkeypatch):
    """Giving back a terminal that has hung up fails as the drawing did; the lines come all the same
    (stderr may be a file)."""
    screen = made()
    gone = OSError(errno.EIO, "Input/output error")

    def hang_up(*_: object) -> None:
        raise gone

    screen.start()
    with monkeypatch.context() as patch:
        patch.setattr(screen._screen._terminal, "leave", hang_up)
        screen.frame = hang_up
        try:
            wait_for(lambda: screen.faults == 1)
            screen.on_state(examples.state("pull"), None)
            said = []
            wait_for(
                lambda: said.append(capsys.readouterr().err) or "Pull 2.5 kHz" in "".join(said)
            )
        finally:
            patch.undo()
            screen.close()
    assert "the ring-out screen has failed (OSError" in "".join(said)


class TestCautions:
    def test_a_live_ring_out_without_a_terminal_needs_a_yes(self):
        """Nobody can have read them: refused with the way out, nothing printed."""
        pipe = io.StringIO()
        with pytest.raises(UsageError, match=r"docs/safety\.md, then add --yes"):
            cautions.acknowledged(is_live=True, yes=False, console=Console(file=pipe))
        assert pipe.getvalue() == ""

    @pytest.mark.parametrize(("is_live", "yes"), [(True, True), (False, False)])
    def test_a_yes_or_a_virtual_stage_needs_no_question(self, is_live, yes):
        """A script says yes beforehand; a virtual stage hurts nobody."""
        pipe = io.StringIO()
        assert cautions.acknowledged(is_live=is_live, yes=yes, console=Console(file=pipe))
        assert pipe.getvalue() == ""

    @pytest.mark.parametrize(("action", "is_yes"), [("yes", True), ("quit", False)])
    def test_the_answer_is_a_key(self, action, is_yes):
        """`y` goes on, `q` does not; the terminal is given back after both."""
        console = in_memory()
        asking = cautions._Asking("light", console)
        answers = []
        thread = threading.Thread(target=lambda: answers.append(asking.answer()))
        thread.start()
        wait_for(lambda: "Local codes" in console.file.getvalue())
        asking.obey(action)
        thread.join(5)
        assert answers == [is_yes]
        assert console.file.getvalue().count("\x1b[?1049l") == 1

    def test_the_figures_are_computed(self):
        """Oracle: 28800 s / 2^((110 - 85) / 3) = 89 s (NIOSH 98-126), by hand."""
        assert "110 dBA at the ear uses up a whole day's dose in 89 s" in cautions.POINTS[0][1]

    def test_lines_fit_and_name_every_matter(self):
        """In plain lines: at most 79 columns, hearing, people, amplifiers, evacuation, law."""
        lines = cautions.lines()
        assert max(map(len, lines)) <= 79
        text = " ".join(" ".join(lines).split())
        for words in (
            "Wear ear protection",
            "level at the mic position",
            "Nobody in front of the wedge",
            "Limiters stay in",
            "evacuation",
            "Local codes and licensed practice come first",
        ):
            assert words in text
