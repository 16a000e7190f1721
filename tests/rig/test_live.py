"""The whole job through a real audio server: sound in by PortAudio, alarms out by OSC."""

import io
import json
import math
import signal
import subprocess
from collections import defaultdict
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from rig.conftest import Player, go
from rig.osc import Message, OscReceiver
from rig.programme import CHANNELS, HOWLS, RATE_HZ, programme
from rig.server import JackServer
from rig.tap import Tap, unbroken
from rig.watching import Watching, is_alive, poll, prehowl

from prehowl.daemon.loop import run_loop
from prehowl.daemon.sinks.jsonl import JsonlSink
from prehowl.daemon.sources.device import DeviceSource
from prehowl.detectors.engine import ChannelSetup, Engine

pytestmark = pytest.mark.rig

STATES = ["suspect", "ringing", "howling", "cleared"]
RING_TYPES = "iiissiiffffffssfiiisiisss"


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give the 32-channel programme as a file, 24 bit."""
    path = tmp_path_factory.mktemp("programme") / "programme.wav"
    soundfile.write(path, programme(), RATE_HZ, subtype="PCM_24")
    return path


def scan(path: Path) -> list[dict[str, Any]]:
    """Return what `prehowl scan` says of a recording."""
    done = subprocess.run(
        prehowl("scan", str(path), "--format", "jsonl"), capture_output=True, text=True, check=False
    )
    assert done.stderr == "" or "Traceback" not in done.stderr
    return [json.loads(line) for line in done.stdout.splitlines()]


def by_channel(events: list[dict[str, Any]]) -> dict[int, list[dict[str, Any]]]:
    """Return the events of each channel, in order."""
    found: dict[int, list[dict[str, Any]]] = defaultdict(list)
    for event in events:
        found[event["channel"]].append(event)
    return dict(found)


def cents(a_hz: float, b_hz: float) -> float:
    """Return the distance of two frequencies."""
    return abs(1200 * math.log2(a_hz / b_hz))


def test_what_is_heard_live_is_the_file_and_gives_the_events_of_a_scan(
    jack_server, recording, start_player, monkeypatch, tmp_path
):
    """Oracles: the file, bit for bit on all 32 channels; `scan` on what was heard, to the digit.

    Both see the very same samples here, the silence before the file included.
    """
    for name, value in jack_server.environment.items():
        monkeypatch.setenv(name, value)
    played, _rate = soundfile.read(recording, dtype="float32", always_2d=True)
    heard, events = unbroken(
        jack_server,
        lambda name: _tapped(start_player(jack_server, recording, name), len(played)),
    )
    start = int(np.flatnonzero(heard.any(axis=1))[0]) - int(np.flatnonzero(played.any(axis=1))[0])
    np.testing.assert_array_equal(heard[start:][: len(played)], played)
    soundfile.write(tmp_path / "heard.wav", heard, RATE_HZ, subtype="FLOAT")
    assert events == scan(tmp_path / "heard.wav")
    assert sum(event["state"] == "ringing" for event in events) >= len(HOWLS)


def _tapped(player: Player, count: int) -> tuple[int, Any]:
    """Return lost samples, and (samples, events) of a loop on the real device."""
    tap = Tap(DeviceSource(player.args[-1]), count + RATE_HZ // 4)
    assert (tap.rate_hz, tap.channels) == (RATE_HZ, CHANNELS)
    lines = io.StringIO()
    go(player)
    engine = Engine(RATE_HZ, [ChannelSetup()] * CHANNELS)
    done = run_loop(tap, engine, [JsonlSink(lines)], names=tap.names, snapshot_s=None)
    events = [json.loads(line) for line in lines.getvalue().splitlines()]
    return done.lost_samples, (np.concatenate(tap.blocks), events)


def test_alarms_leave_as_osc_and_equal_those_of_a_scan(jack_server, recording, start_player):
    """Oracles: what the file was made of, and `scan` on it.

    The live stream is the file behind a silence of unknown length, so the engine's frames lie
    elsewhere by less than one hop: channel, band, order of states must be the same; frequencies
    within 2 cents (but when cleared: that comes from the end of the file); times by one common
    offset, within 0.2 s: a tone that has just risen out of noise passes a threshold in one frame
    grid a few hops earlier than in another. (Same samples, same figures is the test above.)
    """
    came, events = unbroken(
        jack_server, lambda name: _heard(jack_server, start_player(jack_server, recording, name))
    )
    _check_truth(events)
    _check_osc(came, events)
    _check_against_scan(by_channel(events), by_channel(scan(recording)))


def _heard(server: JackServer, player: Player) -> tuple[int, Any]:
    """Play to a watch; return lost samples, and (`/prehowl/ring` messages, printed events)."""
    name = player.args[-1]
    with OscReceiver() as receiver:
        options = ["--device", name, "--format", "jsonl", "--osc", f"127.0.0.1:{receiver.port}"]
        with Watching(options, server.environment) as watching:
            watching.wait_for_line(f"watching {name!r}, 32 channels at 48000 Hz")
            receiver.wait_for("/prehowl/heartbeat")
            go(player)
            assert player.stdout.readline() == "done\n"
            _wait_for_calm(watching)
            capture = watching.capture_pid()
            assert watching.stop() == 0
            assert not is_alive(capture)
            receiver.wait_for("/prehowl/bye")
            assert receiver.faults == []
            return _lost(watching), (receiver.of("/prehowl/ring"), watching.events())


def _lost(watching: Watching) -> int:
    """Return the samples that a watch says it lost, from its last line."""
    return int(watching.err[-1].rsplit("; ", 1)[1].split()[0])


def _wait_for_calm(watching: Watching) -> None:
    try:
        poll(lambda: _all_clear(watching.events()), "every ring cleared after the end")
    except AssertionError as fault:
        raise AssertionError(f"{fault}: {watching.err} {watching.out}") from None


def _all_clear(events: list[dict[str, Any]]) -> bool:
    states = {event["id"]: event["state"] for event in events}
    return len(states) > 0 and set(states.values()) == {"cleared"}


def _check_truth(events: list[dict[str, Any]]) -> None:
    live = by_channel(events)
    assert sorted(live) == [howl.channel for howl in HOWLS]
    for howl in HOWLS:
        seen = live[howl.channel]
        assert [event["state"] for event in seen] == STATES
        alarm = seen[1]
        assert alarm["band_hz"] == howl.band_hz
        assert cents(alarm["frequency_hz"], howl.frequency_hz) < 3
        assert alarm["growth_db_per_s"] == pytest.approx(howl.growth_db_per_s, rel=0.25)


def _check_osc(came: list[Message], events: list[dict[str, Any]]) -> None:
    assert len(came) == len(events)
    for message, event in zip(came, events, strict=True):
        assert message.types == RING_TYPES
        _version, ring, channel, name, state, time_ms, _onset, hz, band_hz, dbfs = message.args[:10]
        assert (ring, channel, name) == (event["id"], event["channel"], event["channel_name"])
        assert (state, band_hz) == (event["state"], event["band_hz"])
        assert time_ms == pytest.approx(event["time_s"] * 1000, abs=1)
        assert hz == pytest.approx(event["frequency_hz"], rel=1e-6)
        assert dbfs == pytest.approx(event["level_dbfs"], abs=0.051)


def _check_against_scan(live: dict[int, Any], file: dict[int, Any]) -> None:
    assert sorted(live) == sorted(file)
    offsets = []
    for channel, scanned in file.items():
        assert [event["state"] for event in live[channel]] == [e["state"] for e in scanned]
        for here, there in zip(live[channel], scanned, strict=True):
            assert here["band_hz"] == there["band_hz"]
            if here["state"] != "cleared":
                assert cents(here["frequency_hz"], there["frequency_hz"]) < 2
                offsets.append(here["time_s"] - there["time_s"])
    common_s = float(np.median(offsets))
    assert all(abs(offset - common_s) < 0.2 for offset in offsets)


def test_a_selection_keeps_the_numbers_of_the_interface(jack_server, recording, start_player):
    """Oracle: what the file was made of. Of channels 30 to 32 and 3 only 32 and 3 howl."""

    def play(name: str) -> tuple[int, list[dict[str, Any]]]:
        player = start_player(jack_server, recording, name)
        options = ["--device", name, "--channels", "30-32,3", "--format", "jsonl"]
        with Watching(options, jack_server.environment) as watching:
            watching.wait_for_line(f"watching {name!r}, 4 channels")
            go(player)
            assert player.stdout.readline() == "done\n"
            _wait_for_calm(watching)
            assert watching.stop(signal.SIGINT) == 0
            return _lost(watching), watching.events()

    alarms = [event for event in unbroken(jack_server, play) if event["state"] == "ringing"]
    assert [(event["channel"], event["band_hz"]) for event in alarms] == [(3, 2500), (32, 6300)]
    assert [event["channel_name"] for event in alarms] == ["Ch 3", "Ch 32"]
