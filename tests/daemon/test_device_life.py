"""What devices do in twelve hours, end to end: noticed within two seconds, told, outlived.

A real watch and real capture processes on a double of the audio library; a real audio server that
dies is in tests/rig.
"""

import os
import signal
import socket
import time

import numpy as np
import pytest
import soundfile
from osc_packets import message
from rig.osc import OscReceiver
from rig.watching import Watching, children, poll

from prehowl.daemon.logbook.reader import LogbookReader
from prehowl.daemon.stream_time import SILENCE_S

NOTICED_S = 2.0
BUSY_S = 4.0
"""What a machine shared with other work may add to it."""


@pytest.fixture
def watch(double, tmp_path):
    """Give a running watch of the second device with OSC and a logbook."""
    with OscReceiver() as receiver:
        options = ["--device", "Stage box A", "--headless", "--osc", f"127.0.0.1:{receiver.port}"]
        options += ["--logbook", str(tmp_path / "show.logbook")]
        with Watching(options, os.environ) as watching:
            watching.wait_for_line("watching 'Stage box A', 8 channels at 48000 Hz")
            receiver.wait_for("/prehowl/heartbeat")
            yield watching, receiver


def state(receiver: OscReceiver) -> tuple[str, str]:
    """Return device state and detail as last told by OSC."""
    told = receiver.of("/prehowl/health")
    return (str(told[-1].args[4]), str(told[-1].args[5])) if told else ("", "")


BEFORE = [["Built-in line", 2], ["Stage box A", 8]]


@pytest.mark.parametrize(
    ("accident", "words"),
    [
        ({"devices": [["Built-in line", 2]]}, "has not come back yet"),
        ({"devices": [["New default", 8], ["Built-in line", 2]]}, "has not come back yet"),
        ({"rate_hz": 384000}, "came back at 384000 Hz; 8000 to 192000 Hz can be analysed"),
        ({"busy": True}, "Device unavailable"),
    ],
    ids=["unplugged", "another default", "a rate beyond all", "taken by another"],
)
def test_a_device_that_comes_back_wrong_is_told_waited_for_and_used_again(
    double, watch, accident, words
):
    """Oracles: definition; the clock. Told by line and OSC with the reason; back when it is right.

    Another device is never taken in its place: its channels would be other people's.
    """
    watching, receiver = watch
    began_s = time.monotonic()
    double.tell(mode="gone", **accident)
    poll(lambda: state(receiver)[0] == "waiting", "waiting")
    assert time.monotonic() - began_s < NOTICED_S + BUSY_S
    double.tell(mode="play")
    poll(lambda: words in state(receiver)[1], f"the reason: {words}")
    double.tell(rate_hz=48000, devices=BEFORE, busy=False)
    poll(lambda: state(receiver)[0] == "running", "running again")
    watching.wait_for_line("the device is back")
    assert watching.stop() == 0


def test_another_rate_is_taken_and_told_and_what_is_kept_is_right(double, tmp_path):
    """Oracles: definition; the clock on the wall. 48 kHz asked for, 44.1 kHz comes back: the watch
    goes on at it, says so by line, OSC and logbook, and stream time still keeps step with the
    clock; then 48 kHz again, and all is as asked for."""
    book = tmp_path / "show.logbook"
    with OscReceiver() as receiver:
        options = ["--device", "Stage box A", "--rate", "48000", "--format", "jsonl"]
        options += ["--logbook", str(book), "--osc", f"127.0.0.1:{receiver.port}"]
        with Watching(options, os.environ) as watching:
            watching.wait_for_line("watching 'Stage box A', 8 channels at 48000 Hz")
            receiver.wait_for("/prehowl/heartbeat")
            began_s = time.monotonic()
            double.tell(mode="gone", rate_hz=44100)
            poll(lambda: state(receiver)[0] == "waiting", "waiting")
            double.tell(mode="play")
            line = watching.wait_for_line("runs at 44100 Hz, 48000 Hz was asked for")
            assert time.monotonic() - began_s < NOTICED_S + BUSY_S
            assert "'Stage box A'" in line
            poll(lambda: "44100 Hz" in state(receiver)[1], "told by OSC")
            (note,) = poll(watching.events, "a record")
            assert (note["verb"], note["by"]) == ("rate", "device")
            assert "now runs at 44100 Hz, 48000 Hz before" in note["effect"]
            time.sleep(2.0)  # sound at that rate
            double.tell(mode="gone", rate_hz=48000)
            poll(lambda: state(receiver)[0] == "waiting", "waiting")
            double.tell(mode="play")
            poll(lambda: state(receiver) == ("running", ""), "as asked for")
            first, second = watching.events()
            passed_s = second["time_s"] - first["time_s"]
            assert watching.stop() == 0
    assert 2.0 < passed_s < 2.0 + BUSY_S
    with LogbookReader(book) as reader:
        told = [line.data["text"] for line in reader.lines(kind="health")]
        (run,) = reader.runs()
    assert any("runs at 44100 Hz" in text for text in told)
    assert run.info.rate_hz == 48000


def test_fewer_inputs_are_told_and_the_rest_is_watched(double, watch):
    """Oracle: definition. Inputs 5 to 8 do not come back: the others go on, the gone ones are
    silent; with the next re-plug all are there."""
    watching, receiver = watch
    double.tell(mode="gone", devices=[["Built-in line", 2], ["Stage box A", 4]])
    poll(lambda: state(receiver)[0] == "waiting", "waiting")
    double.tell(mode="play")
    watching.wait_for_line("'Stage box A' came back without channels 5-8 (the others are watched)")
    poll(lambda: state(receiver)[0] == "running", "running")
    assert "channels 5-8" in state(receiver)[1]
    double.tell(mode="gone", devices=BEFORE)
    poll(lambda: state(receiver)[0] == "waiting", "waiting")
    double.tell(mode="play")
    poll(lambda: state(receiver) == ("running", ""), "all of it")
    assert watching.stop() == 0


def test_a_new_default_is_named_and_not_taken(double, tmp_path):
    """Oracle: definition. No device was named, so the default was taken; another one is now, and
    the first has gone: its channels are not those of the show."""
    with OscReceiver() as receiver:
        options = ["--headless", "--osc", f"127.0.0.1:{receiver.port}"]
        with Watching(options, os.environ) as watching:
            watching.wait_for_line("watching 'Built-in line'")
            receiver.wait_for("/prehowl/heartbeat")
            double.tell(mode="gone", devices=[["Headset", 2]])
            words = "'Headset', the default input now, is not taken in its place"
            poll(lambda: words in state(receiver)[1], words)
            assert state(receiver)[0] == "waiting"
            double.tell(mode="play", devices=[["Headset", 2], ["Built-in line", 2]])
            poll(lambda: state(receiver)[0] == "running", "the one from before")
            assert watching.stop() == 0


def test_a_hold_runs_out_while_the_device_is_away(double):
    """Oracle: the clock: 3 s, though no more than two of stream time are counted by silence."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as way:
        way.bind(("127.0.0.1", 0))
        port = way.getsockname()[1]  # free, so it will do for the watch as soon as it is closed
    options = ["--device", "Stage box A", "--format", "jsonl", "--osc-in", f"127.0.0.1:{port}"]
    with Watching(options, os.environ) as watching:
        watching.wait_for_line("watching 'Stage box A', 8 channels at 48000 Hz")
        double.tell(mode="gone", devices=[["Other", 1]])
        watching.wait_for_line("'Stage box A' lost")
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as way:
            way.sendto(message("/prehowl/do/hold", "ii", 2, 3), ("127.0.0.1", port))
        held, over = poll(lambda: len(e := watching.events()) == 2 and e, "held, and over")
        assert "is held for 3 s" in held["effect"]
        assert "the hold on Ch 2 is over" in over["effect"]
        assert over["time_s"] - held["time_s"] <= SILENCE_S
        assert watching.stop() == 0


def test_trying_again_becomes_rarer(double, watch):
    """Oracle: the rule: 0.1 s at first, doubled up to 2 s: no more than 8 tries in 5 s."""
    watching, receiver = watch
    double.tell(mode="gone", devices=[["Other", 1]])
    poll(lambda: state(receiver)[0] == "waiting", "waiting")
    seen: set[int] = set()
    until_s = time.monotonic() + 5.0
    while time.monotonic() < until_s:
        seen.update(children(watching.process.pid))
        time.sleep(0.01)
    assert 1 <= len(seen) <= 8
    assert watching.stop() == 0


def test_a_watch_that_was_stopped_for_five_seconds_goes_on(watch, tmp_path):
    """Oracle: the clock. What it missed is counted, then all is well; the logbook knows."""
    watching, receiver = watch
    watching.process.send_signal(signal.SIGSTOP)
    time.sleep(5.0)  # this is the accident itself
    watching.process.send_signal(signal.SIGCONT)
    line = watching.wait_for_line("input was lost")
    lost_s = int(line.split(";")[1].split()[0]) / 48000
    assert 2.0 < lost_s < 7.0
    poll(lambda: state(receiver) == ("running", ""), "well again")
    assert watching.stop() == 0
    with LogbookReader(tmp_path / "show.logbook") as reader:
        told = [line.data["subject"] for line in reader.lines(kind="health")]
        (run,) = reader.runs()
    assert "input" in told
    assert run.is_ended


def test_a_receiver_that_refuses_or_has_no_address_does_not_disturb_the_others(double, tmp_path):
    """Oracle: definition. A closed port and a name that is none; the third hears every beat."""
    show = tmp_path / "show.toml"
    with OscReceiver() as receiver:
        targets = [("127.0.0.1", 9), ("no-such-host.invalid", 9000), ("127.0.0.1", receiver.port)]
        tables = [f'[[osc]]\nhost = "{host}"\nport = {port}\n' for host, port in targets]
        show.write_text("\n".join(tables))
        options = ["--device", "0", "--headless", "--show", str(show)]
        with Watching(options, os.environ) as watching:
            watching.wait_for_line("OSC to 127.0.0.1:9")
            watching.wait_for_line("OSC to no-such-host.invalid:9000")
            beats = receiver.wait_for("/prehowl/heartbeat", 4)
            assert watching.stop() == 0
    gaps_s = np.diff([beat.at_s for beat in beats])
    assert np.median(gaps_s) == pytest.approx(1.0, abs=0.3)


def test_a_dead_microphone_is_told_by_line_osc_and_logbook(tmp_path):
    """Oracle: the recording: exact zeros on channel 2 from 1 s on."""
    sound = np.random.default_rng(2).normal(0, 0.01, (48000 * 4, 3))
    sound[48000:, 1] = 0
    path = tmp_path / "cable.wav"
    soundfile.write(path, sound, 48000, subtype="PCM_24")
    with OscReceiver() as receiver:
        options = ["--recording", str(path), "--headless", "--osc", f"127.0.0.1:{receiver.port}"]
        options += ["--logbook", str(tmp_path / "show.logbook")]
        with Watching(options, os.environ) as watching:
            line = watching.wait_for_line("Ch 2 (2): exact zeros")
            poll(lambda: "Ch 2 (2): exact zeros" in state(receiver)[1], "told by OSC")
            watching.process.wait(20)
    noticed_s = float(line.split()[1].split(":")[1])
    assert 1.0 < noticed_s <= 1.0 + NOTICED_S
    with LogbookReader(tmp_path / "show.logbook") as reader:
        told = [line.data["text"] for line in reader.lines(kind="health")]
    assert told == ["Ch 2 (2): exact zeros, so dead, muted or unpatched"]
