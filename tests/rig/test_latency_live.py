"""How long a sound in the audio server takes to the datagram at an independent receiver."""

from typing import Any

import numpy as np
import pytest
import soundfile
from rig.conftest import Player, go
from rig.osc import OscReceiver
from rig.programme import CHANNELS, HOWLS, RATE_HZ, programme
from rig.server import PERIOD
from rig.tap import Tap, unbroken

from prehowl.daemon.events import RingEvent
from prehowl.daemon.loop import run_loop
from prehowl.daemon.show.osc_tables import OscTarget
from prehowl.daemon.sinks.base import Snapshot
from prehowl.daemon.sinks.osc import OscSink
from prehowl.daemon.sources.device import DeviceSource
from prehowl.detectors.engine import ChannelSetup, Engine

pytestmark = pytest.mark.rig

FRAME_S, HOP_S = 4096 / RATE_HZ, 1024 / RATE_HZ
"""Of the main resolution (docs/detection.md)."""
BOUND_S = 0.3
"""Wide, for a machine that does other work; the figure itself is recorded (docs/bench.md)."""


class Witness:
    """Keeps the exact time of every event; OSC tells whole milliseconds. A `Sink`."""

    def __init__(self) -> None:
        self.time_s: dict[tuple[int, str], float] = {}

    def start(self) -> None:
        """Begin with none."""

    def on_event(self, event: RingEvent) -> None:
        """Keep it."""
        self.time_s[event.id, str(event.state)] = event.time_s

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Let it pass."""

    def close(self) -> None:
        """Keep them."""


def test_from_the_server_to_the_receiver(
    jack_server, start_player, monkeypatch, tmp_path, record_property
):
    """Oracles: the server's own frame clock, and the kernel's time of arrival.

    32 channels. Counted from the server's cycle that brought the last sample which an event used
    to its datagram. What the event had to wait for in the sound itself is a frame and, at worst,
    a hop more.
    """
    for name, value in jack_server.environment.items():
        monkeypatch.setenv(name, value)
    path = tmp_path / "programme.wav"
    soundfile.write(path, programme(), RATE_HZ, subtype="PCM_24")
    played, _rate = soundfile.read(path, dtype="float32", always_2d=True)
    found = unbroken(
        jack_server, lambda name: _late_s(start_player(jack_server, path, name), played)
    )
    late_ms = 1000 * np.array(found)
    record_property(
        "late",
        f"{len(found)} events, 32 channels, periods of {1000 * PERIOD / RATE_HZ:.1f} ms: median "
        f"{np.median(late_ms):.1f} ms, worst {late_ms.max():.1f} ms from the server to the "
        f"datagram; frame and hop are {1000 * (FRAME_S + HOP_S):.1f} ms",
    )
    assert len(found) >= 3 * len(HOWLS)
    assert late_ms.min() > 0
    assert np.median(late_ms) < 1000 * BOUND_S


def _late_s(player: Player, played: Any) -> tuple[int, list[float]]:
    """Return lost samples, and of every event how late its datagram was."""
    tap, witness = Tap(DeviceSource(player.args[-1]), len(played) + RATE_HZ // 4), Witness()
    with OscReceiver() as receiver:
        osc = OscSink([OscTarget("127.0.0.1", receiver.port)], version="0")
        go(player)
        engine = Engine(RATE_HZ, [ChannelSetup()] * CHANNELS)
        done = run_loop(tap, engine, [osc, witness], names=tap.names)
        assert player.stdout.readline() == "done\n"
        began_s = int(player.stdout.readline()) / 1e9
        receiver.wait_for("/prehowl/bye")
        came_s = {(m.args[1], m.args[4]): m.at_s for m in receiver.of("/prehowl/ring")}
    heard = np.concatenate(tap.blocks)
    start = int(np.flatnonzero(heard.any(axis=1))[0]) - int(np.flatnonzero(played.any(axis=1))[0])
    assert set(came_s) == set(witness.time_s)
    late_s = []
    for key, time_s in witness.time_s.items():
        sample = round(time_s * RATE_HZ) - 1 - start  # the last one used, as the file counts
        if sample < len(played):  # not what the end of the run cleared
            late_s.append(came_s[key] - began_s - sample // PERIOD * PERIOD / RATE_HZ)
    return done.lost_samples, late_s
