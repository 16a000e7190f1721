"""Keys: what is typed, what it asks for, and what it does to the screen."""

import io

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from prehowl.daemon.errors import UsageError
from prehowl.daemon.sinks.dashboard import Dashboard, examples
from prehowl.daemon.sinks.dashboard.keys import ESCAPE_S, KEYS, Keystrokes, actions_of
from prehowl.daemon.sinks.dashboard.terminal import is_usable, standard_console
from prehowl.detectors.rings import RingState


@pytest.mark.parametrize(
    ("typed", "actions"),
    [
        ("n", ["next"]),
        ("N", ["next"]),
        ("\x1b[C", ["next"]),
        ("\x1bOD", ["back"]),
        ("\x1b[5~", ["back"]),
        ("np", ["next", "back"]),
        ("\x1b[Cq", ["next", "quit"]),
        ("\x1b[1;5Aq", ["quit"]),
        ("\x1b", []),
        ("\x1b[", []),
        ("xyz€", []),
        ("awt", ["acknowledge", "worst", "theme"]),
    ],
)
def test_what_is_typed_becomes_actions(typed, actions):
    """Arrows and page keys arrive as escape sequences (ECMA-48 CSI, from memory).

    The tail of an unknown sequence is no key: 'Ctrl-Up' must not count as any letter.
    """
    assert actions_of(typed) == actions


TYPED = st.lists(st.sampled_from([*KEYS, "\x1b[1;5A", "\x1b[200~", "x", "€"]), max_size=40)


@given(TYPED, st.lists(st.integers(1, 20), max_size=30), st.floats(0, 0.99))
def test_keys_ask_for_the_same_wherever_the_reads_are_cut(typed, lengths, pause):
    """Oracle: invariance against one read. A cut arrow is no `[`, which is the act before."""
    data, at, now_s = "".join(typed).encode(), 0, 100.0
    strokes, found = Keystrokes(), []
    for length in [*lengths, len(data)]:
        found += strokes.take(data[at : at + length], now_s)
        at += length
        found += strokes.take(b"", now_s := now_s + pause * ESCAPE_S)
    assert found == actions_of("".join(typed))


def test_a_right_arrow_in_two_reads_moves_no_act():
    """Oracle: the example: the Escape mark in one read, the rest in the next, however late it
    is read if nothing else was."""
    strokes = Keystrokes()
    assert strokes.take(b"\x1b", 10.0) == []
    assert strokes.take(b"[C", 17.0) == ["next"]


@pytest.mark.parametrize("begun", [b"\x1b", b"\x1b[", b"\x1bO", b"\x1b[1;"])
def test_what_is_begun_and_not_ended_is_let_go(begun):
    """Oracle: definition. After a pause the next key is a key of its own, and reads wait no longer
    than that for it."""
    strokes = Keystrokes()
    assert strokes.patience_s(5.0) == 5.0
    assert strokes.take(begun, 10.0) == []
    assert strokes.patience_s(5.0) == ESCAPE_S
    assert strokes.patience_s(0.01) == 0.01
    assert strokes.take(b"", 10.0 + ESCAPE_S) == []
    assert strokes.patience_s(5.0) == 5.0
    assert strokes.take(b"[", 10.2) == ["previous_act"]


def test_the_escape_key_alone_may_mean_something():
    """Oracle: definition; it is known for what it is once nothing has followed."""
    strokes = Keystrokes({"\x1b": "leave"})
    assert strokes.take(b"\x1b", 10.0) == []
    assert strokes.take(b"", 10.0 + ESCAPE_S) == ["leave"]


def dashboard(channels=32, **kwargs):
    """Return a dashboard on a screen of 80x24 in memory, not started."""
    console = Console(width=80, height=24, file=io.StringIO(), force_terminal=True, **kwargs)
    made = Dashboard(examples.names(channels), console=console, clock=lambda: 10.0)
    made.on_snapshot(examples.snapshot(channels))
    return made


def test_pages_go_round():
    """32 channels at 80x24 take seven pages of five; both ways lead round."""
    board = dashboard()
    seen = []
    for action in ["next"] * 7 + ["back"] * 7:
        board._screen.do(action)
        seen.append(board._model.page)
    assert seen == [1, 2, 3, 4, 5, 6, 0, 6, 5, 4, 3, 2, 1, 0]


def test_worst_goes_to_the_page_of_the_worst_channel():
    """Channel 20 stands on the fourth page of five rows; without any ring it is the first page."""
    board = dashboard()
    board.on_event(examples.event(RingState.SUSPECT, 2, id_=1))
    board.on_event(examples.event(RingState.RINGING, 20, id_=2))
    board._screen.do("worst")
    assert board._model.page == 3
    board.on_snapshot(examples.snapshot(32))
    board._screen.do("worst")
    assert board._model.page == 0


def test_theme_changes_between_dark_and_light():
    """The key brings light, then dark again; a terminal without colours stays plain."""
    board = dashboard()
    names = []
    for _ in range(2):
        board._screen.do("theme")
        names.append(board._screen.theme.name)
    assert names == ["light", "dark"]
    plain = dashboard(no_color=True)
    plain._screen.do("theme")
    assert plain._screen.theme.name == "plain"


def test_quit_is_told_once_after_the_second_press():
    """`on_quit` is called at the second press, not at the first."""
    told = []
    board = dashboard()
    board._on_quit = lambda: told.append(True)
    board._screen.do("quit")
    assert not told
    board._screen.do("quit")
    assert told == [True]


def test_no_terminal_is_refused_with_a_way_out():
    """A pipe cannot be drawn on: one line that says what to use instead, and nothing printed."""
    pipe = io.StringIO()
    board = Dashboard(["a"], console=Console(file=pipe))
    assert not Dashboard.is_possible(Console(file=pipe))
    with pytest.raises(UsageError, match=r"needs a terminal.*--headless"):
        board.start()
    board.close()
    assert pipe.getvalue() == ""


def test_a_dumb_terminal_is_no_terminal():
    """TERM=dumb cannot place a cursor (terminfo, from memory)."""
    console = Console(force_terminal=True, file=io.StringIO(), _environ={"TERM": "dumb"})
    assert not is_usable(console)


def test_a_pipe_is_no_terminal_whatever_the_wish_for_colour(monkeypatch, capsys):
    """Oracle: docs/dashboard.md; FORCE_COLOR (force-color.org, from memory) asks for colours only.

    Standard output is no terminal here, as pytest keeps it.
    """
    monkeypatch.setenv("FORCE_COLOR", "1")
    assert not Dashboard.is_possible()
    assert not is_usable(standard_console())
    with pytest.raises(UsageError, match="needs a terminal"):
        Dashboard(["a"]).start()
    assert capsys.readouterr().out == ""


def test_an_unknown_theme_is_refused():
    """The message lists what there is."""
    with pytest.raises(UsageError, match=r"no theme 'pink'\. There are: dark, light, plain"):
        Dashboard(["a"], theme="pink")
