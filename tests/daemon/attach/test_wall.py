"""Several daemons on one screen: the worst first, exact sizes, keys."""

import re
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
from prehowl.daemon.events import Alert
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
    assert any(line.startswith(" 4 LOST: no word from host-4 for 5 s") for line in lines)
    assert any(line.startswith(" 1 No ring.") and line.endswith(" host-1 ") for line in lines)
    assert "1-3 one" in lines[-1]


FAR = "127.0.0.1:19011"
LONG = "Lead Vocal Downstage"


def far(state: RingState | None = None) -> Stage:
    """Return a daemon with a long address: lost, or with a ring of long names."""
    if state is None:
        why = f"no answer from {FAR}: nothing listens on port 19011 there"
        return replace(stage("2", lost=why), label=FAR)
    alert = Alert(1, 1, LONG, 1, 2, LONG, "Wedge Mix Downstage", "downstage centre pair")
    ring = replace(event(state, id=1, channel=1, channel_name=LONG), alert=alert)
    model = Model([LONG, "Wedge Mix Downstage"], (1, 2), FAR)
    model.take_snapshot(replace(snapshot(2), rings=(ring,)), NOW_S)
    return Stage("2", FAR, model.view(NOW_S))


def line_of_the_second(stage: Stage, width: int, first: Stage = HOWL) -> str:
    """Return what stands of a daemon in one line under a worse one."""
    shown = text([replace(first, key="1"), stage], width, 11)
    return next(line for line in shown.splitlines() if line.startswith(" 2 "))


@pytest.mark.parametrize("state", [RingState.HOWLING, RingState.RINGING, RingState.SUSPECT])
def test_state_and_pull_stand_first_whatever_the_width(state: RingState) -> None:
    """Of another daemon: how bad it is and band and cut, before any address, mix or name."""
    for width in range(28, 221):
        line = line_of_the_second(far(state), width)
        assert line.startswith(f" 2 {state.upper()} "), (width, line)
        assert ("2.5 kHz" if state is RingState.SUSPECT else "2.5 kHz -3 dB") in line, (width, line)


def test_lost_stands_first_whatever_the_width() -> None:
    """Of another daemon that is away: the word, and as much of the reason as fits."""
    assert all(line_of_the_second(far(), w).startswith(" 2 LOST: ") for w in range(12, 221))
    assert line_of_the_second(far(), 80).rstrip().endswith("nothing listens on port 19011 there")


def test_a_name_makes_room_and_comes_back() -> None:
    """The address is shortened, then left out; the channel's name is cut before the band is."""
    line = line_of_the_second(far(RingState.HOWLING), 120).rstrip()
    assert f"HOWLING {LONG}: pull 2.5 kHz -3 dB on Wedge Mix Downstage" in line
    assert line.endswith(FAR)
    assert line_of_the_second(far(RingState.HOWLING), 88).rstrip().endswith("  127.0.0.1:…")
    short = line_of_the_second(far(RingState.HOWLING), 45).rstrip()
    assert short == " 2 HOWLING Lead Vocal Do…: pull 2.5 kHz -3 dB"


@pytest.mark.parametrize("count", range(2, 10))
def test_the_worst_keeps_its_figures_however_many_are_in_trouble(count: int) -> None:
    """At 80x24: the drawn figures, five lines of blocks, above up to eight others."""
    stages = [replace(RING, key="1"), *(replace(LOST, key=str(i)) for i in range(2, count + 1))]
    lines = text(stages).splitlines()
    assert sum("██" in line for line in lines) >= 5
    assert sum("LOST: " in line for line in lines) == count - 1


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
    lines = [line.rstrip() for line in shown.splitlines()]
    for i in range(2, 10):
        assert any(line.startswith(f" {i} ") and line.endswith(f"host-{i}") for line in lines)
    assert "Stage 1" in lines[0]


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

    @pytest.mark.parametrize("count", [1, 3])
    def test_every_channel_is_on_some_page(self, count: int) -> None:
        """Whatever the others leave of the window: going round by `n` shows all channels."""
        clients = [Client(f"host-{i}", "127.0.0.1", 1, clock=lambda: 0.0) for i in range(count)]
        for client in clients:
            client._model = Model([f"Vox {n}" for n in range(1, 65)], range(1, 65))
            ring = event(RingState.RINGING, id=1, channel=1)
            client._model.take_snapshot(replace(snapshot(64), rings=(ring,)), 0.0)
        console = Console(width=80, height=24, force_terminal=True)
        screen, seen = AttachScreen(clients, console=console, clock=lambda: 0.0), set[str]()
        for _ in range(64):
            seen |= set(re.findall(r"Vox \d+", screen.frame(80, 24).text()))
            screen.obey("next")
        assert len(seen) == 64

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
