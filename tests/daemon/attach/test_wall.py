"""Several daemons on one screen: the worst first, exact sizes, keys."""

from dataclasses import replace

import pytest
from fakes import event, snapshot
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console

from prehowl.daemon.attach.client import Client
from prehowl.daemon.attach.screen import AttachScreen
from prehowl.daemon.attach.wall import Stage, wall, worst_first
from prehowl.daemon.errors import UsageError
from prehowl.daemon.sinks.base import Health
from prehowl.daemon.sinks.dashboard.glyphs import ASCII
from prehowl.daemon.sinks.dashboard.keys import actions_of
from prehowl.daemon.sinks.dashboard.model import Model
from prehowl.daemon.sinks.dashboard.themes import DARK, PLAIN
from prehowl.daemon.sources.base import SourceHealth
from prehowl.daemon.stopping import StopFlag
from prehowl.detectors.rings import RingState

NOW_S = 10.0


def stage(key: str, *states: RingState, lost: str = "", channels: int = 16) -> Stage:
    numbers = tuple(range(1, channels + 1))
    model = Model([f"Vox {n}" for n in numbers], numbers, f"Stage {key}")
    rings = [event(state, id=i, channel=i) for i, state in enumerate(states, start=1)]
    model.take_snapshot(replace(snapshot(channels), rings=tuple(rings)), NOW_S)
    model.lost = lost
    return Stage(key, f"host-{key}", model.view(NOW_S))


def text(stages: list[Stage], width: int = 80, height: int = 24, **more) -> str:
    return wall(stages, width, height, DARK, NOW_S, **more).text()


CALM, HOWL = stage("1"), stage("2", RingState.HOWLING)
RING, LOST = stage("3", RingState.RINGING), stage("4", lost="no word from host-4 for 5 s")
SUSPECT = stage("5", RingState.SUSPECT)


def test_the_worst_is_first() -> None:
    """Oracle: the order that the help states: howling, ringing, lost, suspect, calm."""
    stages = [CALM, HOWL, RING, LOST, SUSPECT]
    assert [s.key for s in worst_first(stages, NOW_S)] == ["2", "3", "4", "5", "1"]
    assert [s.key for s in worst_first([SUSPECT, CALM], NOW_S)] == ["5", "1"]


def test_each_daemon_says_its_message() -> None:
    """The worst has the large space; each other its name and its message in words."""
    shown = text([CALM, LOST, RING])
    lines = shown.splitlines()
    assert "Stage 3" in lines[0]
    assert "RINGING Vox 1: pull 2.5 kHz -3 dB" in shown
    assert any("4 host-4: LOST: no word from host-4 for 5 s" in line for line in lines)
    assert any("1 host-1: No ring." in line for line in lines)
    assert "1-3 one" in lines[-1]


def test_a_lost_daemon_never_looks_calm() -> None:
    """Whatever it showed before it fell silent, the message is that it is lost."""
    gone = stage("1", RingState.RINGING, lost="no word from host-1 for 3 s")
    shown = text([gone])
    assert "LOST" in shown
    assert "RINGING Vox 1: pull" not in shown.splitlines()[1]


def test_an_old_ring_of_a_deaf_daemon_goes_after_a_living_one() -> None:
    """Oracle: the same order: a daemon without its device is as good as lost."""
    deaf = stage("2", RingState.HOWLING)
    waiting = replace(snapshot(16), health=Health(SourceHealth("waiting")))
    deaf = replace(deaf, view=replace(deaf.view, snapshot=waiting))
    assert [s.key for s in worst_first([deaf, CALM, RING], NOW_S)] == ["3", "2", "1"]


def test_a_picked_one_fills_the_screen() -> None:
    """The key's digit picks; the others are not drawn, and 0 leads back."""
    shown = text([CALM, HOWL], picked="1")
    assert "Stage 1" in shown
    assert "host-2" not in shown
    assert "0 all" in shown.splitlines()[-1]


@settings(deadline=None)
@given(st.integers(1, 220), st.integers(1, 70), st.integers(1, 9))
def test_never_wider_or_higher_than_asked(width: int, height: int, count: int) -> None:
    """Property: exactly the size that was asked for, with any number of daemons."""
    stages = [replace(s, key=str(i)) for i, s in enumerate([CALM, HOWL, RING, LOST, SUSPECT] * 2)]
    for theme, signs in ((DARK, None), (PLAIN, ASCII)):
        more = {} if signs is None else {"signs": signs}
        frame = wall(stages[:count], width, height, theme, NOW_S, **more)
        lines = frame.lines
        assert len(lines) == height
        assert {sum(part.cell_length for part in line) for line in lines} == {width}


@pytest.mark.parametrize(("width", "height"), [(80, 24), (120, 40), (200, 60)])
def test_every_daemon_is_on_the_screen(width: int, height: int) -> None:
    """At the three usual sizes all nine are named."""
    stages = [stage(str(i)) for i in range(1, 10)]
    shown = text(stages, width, height)
    assert all(f"{i} host-{i}:" in shown for i in range(2, 10))
    assert "Stage 1" in shown.splitlines()[0]


class TestKeys:
    def screen(self, count: int = 2) -> AttachScreen:
        clients = [Client(f"host-{i}", "127.0.0.1", 1) for i in range(1, count + 1)]
        console = Console(width=80, height=24, force_terminal=True)
        return AttachScreen(clients, console=console)

    def test_digits_are_keys(self) -> None:
        """Oracle: the table of keys; on the dashboard itself they do nothing."""
        assert actions_of("10") == ["pick 1", "pick 0"]

    def test_picking_and_going_back(self) -> None:
        """2 shows the second alone, 0 all again, 9 (which there is not) all."""
        screen = self.screen()
        screen.obey("pick 2")
        assert "host-1" not in screen.frame(80, 24).text()
        for key in ("pick 0", "pick 9"):
            screen.obey("pick 2")
            screen.obey(key)
            assert "host-1" in screen.frame(80, 24).text()

    def test_quit_asks_once_more(self) -> None:
        """A slip must not count; the line says what the second one does."""
        screen = self.screen()
        assert not screen.obey("quit")
        assert "press q again to detach" in screen.frame(80, 24).text()
        assert screen.obey("quit")

    @pytest.mark.parametrize(
        "action", ["next", "back", "worst", "acknowledge", "theme", "next_act"]
    )
    def test_every_other_key_keeps_the_screen(self, action: str) -> None:
        """Before anything was heard, no key breaks it."""
        screen = self.screen(1)
        assert screen.obey(action) is False
        assert screen.frame(80, 24).height == 24

    def test_a_locale_of_c_gets_ascii_signs(self, monkeypatch) -> None:
        """Oracle: documented: with LC_ALL=C, whatever the encoding of the output."""
        assert not self.screen().frame(80, 24).text().isascii()
        monkeypatch.setenv("LC_ALL", "C")
        assert self.screen().frame(80, 24).text().isascii()

    def test_without_a_terminal_it_says_so(self, capsys) -> None:
        """Oracle: the contract of errors."""
        screen = AttachScreen([Client("x", "127.0.0.1", 1)], console=Console(force_terminal=False))
        with pytest.raises(UsageError, match="needs a terminal"):
            screen.run(StopFlag())
