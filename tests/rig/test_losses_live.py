"""A real audio server dies under a watch, and comes back."""

import os
import signal
import subprocess
import sys
import time
from itertools import pairwise

import numpy as np
import pytest
import soundfile
from rig.conftest import PLAY
from rig.osc import OscReceiver
from rig.watching import Watching, is_alive, poll

from prehowl.daemon.sources.device import DeviceSource

pytestmark = pytest.mark.rig

BUSY_S = 3.0
"""An idle machine takes 0.2 s for a new capture process; a busy one may take its time."""


def test_a_killed_capture_process_is_soon_replaced(jack_server, monkeypatch):
    """Oracle: the clock; the samples said to be lost are the time that went by."""
    for name, value in jack_server.environment.items():
        monkeypatch.setenv(name, value)
    source = DeviceSource("system", channels=(1, 32))
    try:
        poll(lambda: len(source.read().samples), "audio")
        began_s = time.monotonic()
        os.kill(source.capture_pid, signal.SIGKILL)
        lost = poll(lambda: source.read().lost, "audio again", 5.0)
        passed_s = time.monotonic() - began_s
        assert passed_s < BUSY_S
        assert lost / source.rate_hz == pytest.approx(passed_s, abs=0.15)
    finally:
        source.close()


@pytest.mark.parametrize("how", ["killed", "frozen"])
def test_a_watch_outlives_its_audio_server(own_jack_server, how):
    """Oracle: definition. Loss is told by line and OSC, heartbeat goes on, audio comes back.

    PortAudio cannot recover from a dead JACK server inside a process: this shows that ours is
    not inside ours.
    """
    with OscReceiver() as receiver:
        options = ["--device", "system", "--headless", "--osc", f"127.0.0.1:{receiver.port}"]
        with Watching(options, own_jack_server.environment) as watching:
            watching.wait_for_line("watching 'system', 32 channels")
            first = watching.capture_pid()
            receiver.wait_for("/prehowl/heartbeat")
            own_jack_server.kill() if how == "killed" else own_jack_server.freeze()
            watching.wait_for_line("'system' lost")
            poll(lambda: _device_state(receiver) == "waiting", "waiting, told by OSC")
            beats = len(receiver.of("/prehowl/heartbeat"))
            receiver.wait_for("/prehowl/heartbeat", beats + 2)
            own_jack_server.start() if how == "killed" else own_jack_server.thaw()
            watching.wait_for_line("the device is back")
            watching.wait_for_line("input was lost")
            poll(lambda: _device_state(receiver) == "running", "running, told by OSC")
            second = watching.capture_pid()
            assert watching.stop() == 0
        assert second != first
        assert not is_alive(first)
        assert not is_alive(second)
        numbers = [message.args[0] for message in receiver.of("/prehowl/heartbeat")]
        assert all(after == before + 1 for before, after in pairwise(numbers))


def test_a_server_that_comes_back_at_another_rate_is_gone_on_with(own_jack_server, tmp_path):
    """Oracles: definition; the clock. 48 kHz, then 44.1 kHz: at once waiting, soon running at the
    new rate, said by line, record and OSC; what rings is the sound that comes from then on."""
    path = tmp_path / "howl.wav"
    t = np.arange(44100 * 4) / 44100
    rise = 10 ** (np.clip(-70 + 60 * (t - 1.0), -90, -10) / 20)
    noise = np.random.default_rng(1).normal(0, 3e-4, (len(t), 1))
    soundfile.write(path, noise + (rise * np.sin(2 * np.pi * 2513.4 * t))[:, None], 44100)
    with OscReceiver() as receiver:
        options = ["--device", "system", "--format", "jsonl", "--channels", "1"]
        options += ["--osc", f"127.0.0.1:{receiver.port}"]
        with Watching(options, own_jack_server.environment) as watching:
            watching.wait_for_line("watching 'system', 1 channel at 48000 Hz")
            receiver.wait_for("/prehowl/heartbeat")
            own_jack_server.kill()
            began_s = time.monotonic()
            poll(lambda: _device_state(receiver) == "waiting", "waiting, told by OSC")
            assert time.monotonic() - began_s < 2.0 + BUSY_S
            own_jack_server.start(44100)
            began_s = time.monotonic()
            watching.wait_for_line("the device is back")
            assert time.monotonic() - began_s < 2.0 + BUSY_S
            poll(lambda: _device_state(receiver) == "running", "running, told by OSC")
            (note,) = poll(watching.events, "a record")
            assert note["effect"].startswith("the input now runs at 44100 Hz, 48000 Hz before")
            environment = own_jack_server.environment
            words = [sys.executable, str(PLAY), str(path), "late"]
            player = subprocess.Popen(
                words, env=environment, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
            )
            assert player.stdout.readline() == "ready\n"
            clients = ["late:out_1", "PortAudio:in_0"]
            subprocess.run(["jack_connect", *clients], env=environment, check=True)
            player.stdin.write("go\n")
            player.stdin.flush()

            def alarm():
                return next((e for e in watching.events() if e.get("state") == "ringing"), None)

            found = poll(alarm, "an alarm")
            player.kill()
            player.communicate()
            assert watching.stop() == 0
    assert abs(found["frequency_hz"] / 2513.4 - 1) < 0.002


def _device_state(receiver: OscReceiver) -> str:
    told = receiver.of("/prehowl/health")
    return str(told[-1].args[4]) if told else ""


def test_a_source_that_falls_silent_is_told(jack_server, start_player, tmp_path):
    """Oracle: JACK goes on with exact zeros when a player has died; that is all one can see."""

    path = tmp_path / "noise.wav"
    noise = np.random.default_rng(1).normal(0, 0.01, (48000 * 20, 2))
    soundfile.write(path, noise, 48000, subtype="PCM_24")
    player = start_player(jack_server, path, "fading")
    player.stdin.write("go\n")
    player.stdin.flush()
    with Watching(["--device", "fading", "--headless"], jack_server.environment) as watching:
        watching.wait_for_line("watching 'fading', 2 channels")
        player.kill()
        watching.wait_for_line("exact digital silence on every channel")
        assert watching.stop() == 0
