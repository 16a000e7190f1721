"""The dashboard as a sink: the promises that every sink keeps, on a terminal in memory."""

import io
import signal

from conformance import SinkConformance
from rich.console import Console

from prehowl.daemon.sinks.dashboard import Dashboard


def in_memory():
    """Return a terminal that only remembers."""
    return Console(width=80, height=24, file=io.StringIO(), force_terminal=True)


class TestDashboard(SinkConformance):
    """Two channels, drawn into memory."""

    def make(self, tmp_path):
        """Return a fresh dashboard."""
        return Dashboard(["Vox 1", ""], console=in_memory())


def test_close_gives_back_what_start_took():
    """The handler of SIGTERM is as before, the screen is off, and a second close does nothing."""
    before = signal.getsignal(signal.SIGTERM)
    console = in_memory()
    board = Dashboard(["Vox 1"], console=console)
    board.start()
    board.close()
    board.close()
    assert signal.getsignal(signal.SIGTERM) is before
    assert console.file.getvalue().count("\x1b[?1049l") == 1
    assert board.faults == 0


def test_a_handler_of_somebody_else_is_left_alone():
    """A command that stops cleanly on SIGTERM keeps its own handler while the screen is up."""
    before = signal.signal(signal.SIGTERM, lambda *_: None)
    mine = signal.getsignal(signal.SIGTERM)
    board = Dashboard(["Vox 1"], console=in_memory())
    try:
        board.start()
        assert signal.getsignal(signal.SIGTERM) is mine
    finally:
        board.close()
        signal.signal(signal.SIGTERM, before)


def test_it_is_drawn_less_often_where_the_analysis_needs_the_computer(monkeypatch):
    """Oracle: definition: the pause between two frames, 1/6 s as a rule, 1/2 s under overload."""
    board = Dashboard(["Vox 1"], console=in_memory())
    pauses = []

    def pause(seconds):
        pauses.append(seconds)
        board.draw_slowly(len(pauses) == 1)
        if len(pauses) == 3:
            board._screen._stop.set()

    monkeypatch.setattr(board._screen, "_read_keys", pause)
    board._screen._run()
    assert pauses == [1 / 6, 1 / 2, 1 / 6]
