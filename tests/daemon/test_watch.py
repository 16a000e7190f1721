"""`prehowl watch` as a person meets it: real processes, signals, a terminal; the audio a double."""

import json
import os
import pty
import select
import signal
import subprocess
import termios
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile
from conformance import SourceConformance
from fakes import FakeSource, chopped
from rig.watching import Watching, children, is_alive, poll, prehowl

from prehowl.daemon import cli
from prehowl.daemon.sources.limited import LimitedSource

RATE_HZ = 48000
PATIENCE_S = 20.0


@pytest.fixture(scope="module")
def recording(tmp_path_factory) -> Path:
    """Give two seconds: quiet noise on channel 1, a howl of 60 dB/s at 2513 Hz on channel 2."""
    time_s = np.arange(2 * RATE_HZ) / RATE_HZ
    noise = np.random.default_rng(3).normal(0, 0.003, (len(time_s), 2))
    rise = np.where(time_s > 0.5, np.minimum(1e-3 * 10 ** (3 * (time_s - 0.5)), 0.1), 0)
    noise[:, 1] += rise * np.sin(2 * np.pi * 2513.4 * time_s)
    path = tmp_path_factory.mktemp("watch") / "howl.wav"
    soundfile.write(path, noise, RATE_HZ, subtype="PCM_24")
    return path


def run(capsys, *words):
    """Run a command in this process; return exit code, stdout, stderr."""
    code = cli.main([str(word) for word in words])
    return (code, *capsys.readouterr())


class TestRecording:
    """A recording in place of a device."""

    def test_gives_the_events_of_a_scan(self, recording, capsys):
        """Oracle: `scan`, to the digit; the channel keeps its number."""
        words = ("--format", "jsonl", "--channels", "2")
        code, watched, err = run(
            capsys, "watch", "--recording", recording, "--pace", "fast", *words
        )
        assert code == 0
        assert err.endswith("prehowl: watched 0:02.0: 1 alarm on channel 2; 0 samples lost\n")
        assert watched == run(capsys, "scan", recording, *words)[1]
        assert {json.loads(line)["channel"] for line in watched.splitlines()} == {2}

    def test_keeps_the_recordings_own_pace(self, recording, capsys):
        """Oracle: the clock. Half a second of --seconds takes half a second, not less."""
        began_s = time.monotonic()
        code, _out, err = run(capsys, "watch", "--recording", recording, "--seconds", "0.5")
        assert code == 0
        assert time.monotonic() - began_s >= 0.45
        assert "watched 0:00.5" in err

    def test_needs_no_audio_library(self, double, recording):
        """Oracle: the double refuses to be imported. Watching and scanning files do not care."""
        double.tell(missing=True)
        for words in (["scan"], ["watch", "--pace", "fast", "--recording"]):
            done = subprocess.run(
                prehowl(*words, str(recording)), capture_output=True, text=True, check=False
            )
            assert done.returncode == 0
            assert "RINGING" in done.stdout

    def test_tells_whom_the_show_file_names_in_vain(self, recording, tmp_path, capsys):
        """Oracle: the file has channels 1 and 2 only; names come from the show file."""
        show = tmp_path / "show.toml"
        show.write_text(
            '[[channels]]\nnumber = 2\nname = "Vox"\n[[channels]]\nnumber = 7\nname = "Gtr"\n'
        )
        words = ("--recording", recording, "--pace", "fast", "--format", "jsonl", "--show", show)
        _code, out, err = run(capsys, "watch", *words)
        assert "the show file also names channel 7, not watched here" in err
        assert {json.loads(line)["channel_name"] for line in out.splitlines()} == {"Vox"}


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["--recording", "x.wav", "--device", "1"], 2, "--device and --rate belong to a live"),
        (["--seconds", "0"], 2, "must be above 0"),
        (["--seconds", "nan"], 2, "must be above 0"),
        (["--metrics", "70000"], 2, "--metrics 70000: a port is 1 to 65535"),
        (["--metrics", "-1"], 2, "--metrics -1: a port is 1 to 65535"),
        (["--recording", "no-such.wav"], 2, "no-such.wav: cannot be read"),
        (["--show", "no-such.toml"], 2, "no-such.toml: no such show file"),
        (["--channels", "0-3"], 2, "channels '0-3'"),
        (["--osc", "a b:9"], 2, "no OSC target"),
        (["--osc-in", "99999"], 2, "Write a PORT, for example 9010"),
        (["--rate", "1234"], 2, "device.rate_hz"),
        (["--rate", "44100"], 3, "refuses 44100 Hz"),
        (["--device", "nothing"], 3, "no audio input matches 'nothing'"),
        (["--device", "1", "--channels", "3,9"], 3, "channel 9 was asked for"),
    ],
)
def test_what_cannot_be_is_one_line_and_a_code(double, capsys, words, code, said):
    """Oracle: the documented exit codes: 2 for what was typed, 3 for the device."""
    assert run(capsys, "watch", *words)[0] == code
    err = run(capsys, "watch", *words)[2]
    assert said in err
    assert err.count("\n") == 1


def test_a_missing_library_names_the_package(double, capsys):
    """Oracle: Debian's package name."""
    double.tell(missing=True)
    code, out, err = run(capsys, "watch")
    assert (code, out, err.count("\n")) == (3, "", 1)
    assert "apt install libportaudio2" in err


class TestLive:
    """A live watch without a terminal."""

    @pytest.fixture
    def watching(self, double):
        """Give a running live watch of two channels."""
        with Watching(["--device", "0", "--format", "jsonl"], os.environ) as watching:
            watching.wait_for_line("watching 'Built-in line', 2 channels at 48000 Hz")
            yield watching

    @pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
    def test_a_signal_stops_it_cleanly(self, watching, number):
        """Oracle: documented exit code 0, a summary, no process left."""
        capture = watching.capture_pid()
        assert watching.stop(number) == 0
        assert not is_alive(capture)
        assert "watched 0:0" in watching.err[-1]
        assert not any("Traceback" in line for line in watching.err)

    def test_a_second_signal_forces_the_end(self, double, watching):
        """Oracle: the clock. A library that hangs at the end does not delay it for long."""
        double.tell(hang_at_close_s=60)
        capture = watching.capture_pid()
        began_s = time.monotonic()
        watching.process.send_signal(signal.SIGINT)
        watching.process.send_signal(signal.SIGINT)
        watching.process.wait(PATIENCE_S)
        assert time.monotonic() - began_s < 5.0
        poll(lambda: not is_alive(capture), "the capture process goes", 3.0)

    def test_a_killed_capture_process_is_told_and_replaced(self, watching):
        """Oracle: definition. Two lines on stderr, a new process, and the watch goes on."""
        killed = watching.capture_pid()
        os.kill(killed, signal.SIGKILL)
        watching.wait_for_line("input was lost")
        assert poll(lambda: [pid for pid in children(watching.process.pid) if pid != killed], "new")
        assert watching.stop() == 0

    def test_a_lost_device_is_told_and_awaited(self, double, watching):
        """Oracle: definition. Lost, awaited, back; never an end."""
        double.tell(mode="gone", devices=[["Other", 1]])
        watching.wait_for_line("'Built-in line' lost")
        double.tell(mode="play", devices=[["Built-in line", 2]])
        watching.wait_for_line("the device is back")
        assert watching.stop() == 0

    @pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
    def test_a_stop_before_the_device_is_open_is_as_clean(self, double, number):
        """Oracle: documented exit code 0, one line, no process left; the library hangs."""
        double.tell(hang_s=60)
        with Watching(["--device", "0", "--headless"], os.environ) as watching:
            capture = watching.capture_pid()
            assert watching.stop(number) == 0
            assert watching.err == ["prehowl: stopped before the watch began\n"]
            poll(lambda: not is_alive(capture), "the capture process goes", 3.0)

    def test_ends_by_itself(self, double, capsys):
        """Oracle: the clock, also when the device has gone meanwhile."""
        before, began_s = set(children(os.getpid())), time.monotonic()
        code, _out, _err = run(capsys, "watch", "--device", "0", "--seconds", "0.6", "--headless")
        assert code == 0
        assert 0.6 <= time.monotonic() - began_s < 5.0
        assert set(children(os.getpid())) <= before


def _drain(master: int, seen: bytearray, until: bytes) -> bool:
    while select.select([master], [], [], 0.05)[0]:
        try:
            seen += os.read(master, 65536)
        except OSError:  # the other end is closed: that is how a terminal says the end
            break
    return until in seen


@pytest.mark.parametrize("stop", ["SIGTERM", "Ctrl-C"])
def test_the_terminal_is_given_back(double, stop):
    """Oracle: termios before and after; the screen left as xterm's alternate screen demands.

    Ctrl-C is typed: the terminal sends it to the whole foreground group, as at a desk.
    """
    master, slave = pty.openpty()
    before = termios.tcgetattr(slave)
    process = subprocess.Popen(
        prehowl("watch", "--device", "0"),
        stdin=slave,
        stdout=slave,
        stderr=slave,
        env={**os.environ, "TERM": "xterm-256color", "LINES": "24", "COLUMNS": "80"},
        start_new_session=True,
        preexec_fn=_take_terminal,
    )
    seen = bytearray()
    try:
        poll(lambda: _drain(master, seen, b"\x1b[?1049h"), "the dashboard", PATIENCE_S)
        capture = poll(lambda: next(iter(children(process.pid)), 0), "a capture process")
        poll(lambda: _drain(master, seen, b"Built-in line"), "the first picture", PATIENCE_S)
        if stop == "SIGTERM":
            process.send_signal(signal.SIGTERM)
        else:
            os.write(master, b"\x03")
        poll(lambda: _drain(master, seen, b"\x1b[?1049l"), "the screen back", PATIENCE_S)
        assert process.wait(PATIENCE_S) == 0
        assert termios.tcgetattr(slave) == before
        assert seen.rindex(b"\x1b[?25h") > seen.rindex(b"\x1b[?25l")
        assert not is_alive(capture)
    finally:
        process.kill()
        process.wait()
        os.close(master)
        os.close(slave)


def _take_terminal() -> None:
    import fcntl

    fcntl.ioctl(0, termios.TIOCSCTTY, 0)


@pytest.mark.parametrize("command", ["demo --seconds 0.5", "watch --recording {} --seconds 0.2"])
def test_a_bad_receiver_is_one_line_and_the_run_goes_on(recording, capsys, command):
    """Oracle: definition. A name with an empty label cannot resolve (RFC 1035, 2.3.1, from memory),
    so no network is asked; told once, exit code 0, the summary comes all the same.
    """
    words = command.format(recording).split()
    code, _out, err = run(
        capsys, *words, "--pace", "fast", "--headless", "--osc", "tablet..local:9000"
    )
    assert code == 0
    lines = [line for line in err.splitlines() if "OSC to" in line]
    assert len(lines) == 1
    assert "'tablet..local' does not resolve" in lines[0]
    assert err.splitlines()[-1].split()[1] in ("played", "watched")


class TestLimitedSource(SourceConformance):
    """The source behind `--seconds` of a recording."""

    def make(self, tmp_path):
        """Return the first half of a second of sound."""
        samples = np.random.default_rng(1).normal(0, 0.1, (RATE_HZ, 2)).astype(np.float32)
        return LimitedSource(FakeSource(chopped(samples, [7000] * 6), 2), 0.5, is_live=False)

    def test_ends_to_the_sample(self, tmp_path):
        """Oracle: definition. 0.5 s at 48 kHz are 24000 samples."""
        blocks = self.read_all(self.make(tmp_path))
        assert sum(len(block.samples) for block in blocks) == 24000
