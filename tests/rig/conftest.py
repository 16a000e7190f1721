"""The rig: a JACK server without hardware, once a session."""

import contextlib
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from rig.server import JackServer, is_here

PLAY = Path(__file__).parent / "play.py"


def _require_jack() -> None:
    if is_here():
        return
    if os.environ.get("PREHOWL_REQUIRE_RIG") == "1":
        pytest.fail("jackd is missing, and PREHOWL_REQUIRE_RIG=1 says it must be here")
    pytest.skip("needs jackd (Debian: jackd2, libportaudio2)")


@pytest.fixture(autouse=True)
def _ahead_of_others() -> Iterator[None]:
    """Let this test and all it starts go before other work, where the system allows that."""
    before = os.getpriority(os.PRIO_PROCESS, 0)
    with contextlib.suppress(PermissionError):
        os.setpriority(os.PRIO_PROCESS, 0, -15)
    yield
    with contextlib.suppress(PermissionError):
        os.setpriority(os.PRIO_PROCESS, 0, before)


@pytest.fixture(scope="session")
def jack_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[JackServer]:
    """Give the session's server, running."""
    _require_jack()
    server = JackServer(tmp_path_factory.mktemp("jack"))
    server.start()
    yield server
    server.stop()


@pytest.fixture
def own_jack_server(tmp_path: Path) -> Iterator[JackServer]:
    """Give a server that the test may kill."""
    _require_jack()
    server = JackServer(tmp_path)
    server.start()
    yield server
    server.stop()


Player = subprocess.Popen[str]


@pytest.fixture
def start_player() -> Iterator[Callable[[JackServer, Path, str], Player]]:
    """Give a function that starts a player which is ready; it plays at `go`."""
    players: list[Player] = []

    def start(server: JackServer, path: Path, name: str) -> Player:
        player = subprocess.Popen(
            [sys.executable, str(PLAY), str(path), name],
            env=server.environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        players.append(player)
        assert player.stdout is not None
        assert player.stdout.readline() == "ready\n"
        return player

    yield start
    for player in players:
        player.kill()
        player.communicate()


def go(player: Player) -> None:
    """Let a player play from the first sample of its file."""
    assert player.stdin is not None
    player.stdin.write("go\n")
    player.stdin.flush()
