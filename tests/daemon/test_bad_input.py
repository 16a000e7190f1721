"""Bad and odd input through the real command: one clear line or a sane result, no traceback."""

import json
import struct
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from prehowl.daemon import cli

RATE = 48000
PREHOWL = str(Path(sys.executable).with_name("prehowl"))


def scan(capsys, *words):
    """Run `prehowl scan` in this process; return exit code, events, stderr."""
    code = cli.main(["scan", *map(str, words), "--format", "jsonl"])
    out, err = capsys.readouterr()
    assert "Traceback" not in err
    assert "internal fault" not in err
    return code, [json.loads(line) for line in out.splitlines()], err


def write(path, samples, rate_hz=RATE, subtype="FLOAT"):
    """Write a recording and return its path."""
    soundfile.write(path, samples, rate_hz, subtype=subtype)
    return path


def noise(seconds=1.0, channels=1, rate_hz=RATE):
    """Return quiet noise."""
    shape = (round(seconds * rate_hz), channels)
    return np.random.default_rng(8).normal(0, 0.01, shape).astype(np.float32)


def wav(channels, data):
    """Return a hand-made 16-bit WAV (RIFF)."""
    rate, block = RATE, 2 * channels
    fmt = struct.pack("<HHIIHH", 1, channels, rate, rate * block, block, 16)
    head = b"WAVEfmt " + struct.pack("<I", 16) + fmt + b"data" + struct.pack("<I", len(data))
    return b"RIFF" + struct.pack("<I", len(head) + len(data)) + head + data


REFUSED = {
    "empty.wav": (b"", "the file is empty"),
    "header-only.wav": (wav(1, b""), "holds no samples"),
    "zero-channels.wav": (wav(0, bytes(96)), "Channel count is zero"),
    "text.wav": (b"not a recording at all\n" * 50, "no audio that can be read"),
    "half-a-header.flac": (b"fLaC\x00\x00\x00", "no audio that can be read"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_useless_files_are_one_line_and_code_2_from_the_real_command(tmp_path, name):
    """The installed command: nothing on stdout, one line on stderr that names file and fault."""
    content, said = REFUSED[name]
    path = tmp_path / name
    path.write_bytes(content)
    done = subprocess.run([PREHOWL, "scan", path], capture_output=True, text=True, timeout=60)
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.startswith(f"prehowl: {path}: ")
    assert said in done.stderr
    assert done.stderr.count("\n") == 1


def test_a_missing_file_a_folder_and_a_device(tmp_path, capsys):
    """Each is told apart."""
    for path, said in [
        (tmp_path / "no.wav", "No such file"),
        (tmp_path, "is a folder"),
        ("/dev/null", "pipe or device"),
        ("", "the name of the recording is empty"),
        (tmp_path / "two\nlines.wav", "two lines.wav: cannot be read"),
    ]:
        code, events, err = scan(capsys, path)
        assert (code, events, err.count("\n")) == (2, [], 1)
        assert said in err


def test_a_truncated_file_is_scanned_as_far_as_it_goes(tmp_path, capsys):
    """Half a file is half the audio, with one line that it is cut short."""
    path = write(tmp_path / "cut.wav", noise(2), subtype="PCM_24")
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    code, _, err = scan(capsys, path)
    assert code == 0
    assert "cut short at 50%" in err
    assert "no alarms; 0:00.9 of audio" in err


def test_nan_and_infinite_samples_are_silence_and_said_once(tmp_path, capsys):
    """A float file with damage in both channels: one line on it, a sane result."""
    samples = noise(1, 2)
    samples[1000:1200, 0] = np.nan
    samples[30000, 1] = np.inf
    samples[31000, 1] = -3e38
    code, events, err = scan(capsys, write(tmp_path / "nan.wav", samples))
    assert (code, events) == (0, [])
    assert err.count("no sane numbers") == 1
    assert "from 0.021 s on" in err


STEADY = {
    "silence": np.zeros(RATE),
    "direct current": np.full(RATE, 0.5),
    "full-scale direct current": np.ones(RATE),
    "clipped noise": np.clip(100 * noise()[:, 0], -1, 1),
    "one sample": np.ones(1),
    "a click": np.concatenate([np.zeros(RATE // 2), np.ones(1), np.zeros(RATE // 2)]),
}


@pytest.mark.parametrize("name", STEADY)
def test_odd_but_howl_free_audio_gives_no_alarm(tmp_path, capsys, name):
    """None of these has a growing line, so none may alarm (the definition of a ring)."""
    code, events, err = scan(capsys, write(tmp_path / "odd.wav", STEADY[name]))
    assert code == 0
    assert [event for event in events if event["state"] in ("ringing", "howling")] == []
    assert "no alarms" in err


def test_a_clipped_howl_is_still_called_at_its_frequency(tmp_path, capsys):
    """A howl driven far into clipping is alarmed at its fundamental, within 1 %."""
    t = np.arange(2 * RATE) / RATE
    rise = 1e-3 * 10 ** (60 * np.maximum(t - 0.3, 0) / 20)
    howl = np.clip(rise * np.sin(2 * np.pi * 1000 * t), -1, 1)[:, None] + noise(2) / 10
    code, events, _ = scan(capsys, write(tmp_path / "hot.wav", howl, subtype="PCM_16"))
    alarms = [event for event in events if event["state"] in ("ringing", "howling")]
    assert code == 0
    assert alarms[0]["frequency_hz"] == pytest.approx(1000, rel=0.01)
    assert alarms[0]["band_hz"] == 1000


@pytest.mark.parametrize("rate_hz", [8000, 22050, 44100, 88200, 96000, 192000])
def test_odd_rates_find_the_same_ring(tmp_path, capsys, rate_hz):
    """A ring at 1 kHz is found at every rate in use; oracle: the frequency put in, within 1 %."""
    t = np.arange(round(1.2 * rate_hz)) / rate_hz
    rise = 1e-3 * 10 ** (60 * np.maximum(t - 0.3, 0) / 20) * (t > 0.3)
    samples = (rise * np.sin(2 * np.pi * 1000 * t))[:, None] + noise(1.2, rate_hz=rate_hz) / 10
    code, events, _ = scan(capsys, write(tmp_path / "rate.wav", samples, rate_hz))
    alarms = [event for event in events if event["state"] in ("ringing", "howling")]
    assert code == 0
    assert alarms[0]["frequency_hz"] == pytest.approx(1000, rel=0.01)


@pytest.mark.parametrize("rate_hz", [1, 4000, 384000])
def test_impossible_rates_are_one_line(tmp_path, capsys, rate_hz):
    """A rate beyond the engine's range is refused with the rate in the message."""
    code, events, err = scan(capsys, write(tmp_path / "rate.wav", noise(0.1), rate_hz))
    assert (code, events) == (2, [])
    assert str(rate_hz) in err.replace(" ", "")
    assert err.count("\n") == 1


def test_200_channels_are_scanned(tmp_path, capsys):
    """More channels than any stage has: the ring is on channel 137 and on no other."""
    samples = np.repeat(noise(1), 200, axis=1) / 10
    t = np.arange(RATE) / RATE
    rise = 1e-3 * 10 ** (80 * np.maximum(t - 0.3, 0) / 20) * (t > 0.3)
    samples[:, 136] += (rise * np.sin(2 * np.pi * 2500 * t)).astype(np.float32)
    code, events, err = scan(capsys, write(tmp_path / "wide.wav", samples, subtype="PCM_16"))
    assert code == 0
    alarms = [event for event in events if event["state"] in ("ringing", "howling")]
    assert {event["channel"] for event in alarms} == {137}
    assert "1 alarm (1 on Ch 137)" in err


@pytest.mark.parametrize(
    "target", ["/proc/prehowl.jsonl", "no-such-folder/rings.jsonl", ".", 300 * "x"]
)
def test_an_unwritable_output_is_said_before_the_work(tmp_path, capsys, target):
    """Code 3 and one line with the path and the system's reason; nothing was scanned."""
    path = write(tmp_path / "a.wav", noise())
    code, events, err = scan(capsys, path, "--output", target)
    assert (code, events) == (3, [])
    assert f"output {target}: cannot be written" in err
    assert "of audio" not in err


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs Linux's always-full device")
@pytest.mark.parametrize("way", ["stdout", "output"])
def test_a_full_disk_is_one_line(tmp_path, way):
    """The real command with no space left: code 3, the reason once, no complaint at its exit."""
    path = write(tmp_path / "a.wav", noise())
    words = [PREHOWL, "scan", path]
    with open("/dev/full", "w") as full:
        if way == "output":
            words += ["--output", "/dev/full"]
        done = subprocess.run(
            words, stdout=full, stderr=subprocess.PIPE, text=True, timeout=60, check=False
        )
    assert done.returncode == 3
    assert "No space left on device" in done.stderr
    assert done.stderr.count("\n") == 1


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--channels", "0"], "Write them like 1,3-5"),
        (["--channels", "2"], "has 1 channel, so there is no channel 2"),
        (["--loop-delay-ms", "0"], "must be 0.5 to 500 ms"),
        (["--loop-delay-ms", "nan"], "must be 0.5 to 500 ms"),
        (["--output", ""], "--output: the name is empty"),
        (["--show", ""], "the name of the show file is empty"),
        (["--show", "absent.toml"], "absent.toml: no such show file"),
    ],
)
def test_impossible_options_are_one_line(tmp_path, capsys, words, said):
    """What cannot be is refused with what would be right, code 2."""
    code, events, err = scan(capsys, write(tmp_path / "a.wav", noise(0.1)), *words)
    assert (code, events) == (2, [])
    assert said in err
    assert err.count("\n") == 1


def test_a_malformed_show_file_is_one_line(tmp_path, capsys):
    """Broken TOML: the line is named."""
    show = tmp_path / "show.toml"
    show.write_text("[[channels\n")
    code, _, err = scan(capsys, write(tmp_path / "a.wav", noise(0.1)), "--show", show)
    assert code == 2
    assert "line 1" in err


def test_file_names_of_any_bytes_are_told(tmp_path):
    """A name that is no UTF-8 (old recorders write such) is scanned and printed with escapes."""
    odd = Path(bytes(tmp_path).decode() + "/gr\udcfcn.wav")
    try:
        odd.touch()
    except OSError:
        pytest.skip("this file system takes UTF-8 names only")
    plain = write(tmp_path / "a.wav", noise(0.2))
    odd.write_bytes(plain.read_bytes())
    words = [PREHOWL, "scan", plain, odd]
    done = subprocess.run(words, capture_output=True, timeout=60, check=False)
    assert (done.returncode, done.stderr.count(b"\n")) == (0, 1)
    assert b"gr\\udcfcn.wav" in done.stdout
