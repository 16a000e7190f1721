"""`prehowl scan` as a person or a script meets it: through the command line."""

import csv
import io
import json
import os
import pty
import select
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from prehowl.daemon import cli
from prehowl.daemon.events import RingEvent
from prehowl.daemon.loop import LoopResult
from prehowl.daemon.sinks.csv import COLUMNS
from prehowl.daemon.tally import Tally

RATE = 48000
RING_HZ = 2513.4
PREHOWL = str(Path(sys.executable).with_name("prehowl"))


def howl(seconds=2.0, *, onset_s=0.5, growth_db_per_s=60.0, level=1e-3):
    """Return quiet noise with a line that rises from `onset_s` on, up to a tenth of full scale."""
    t = np.arange(round(seconds * RATE)) / RATE
    rise = np.minimum(level * 10 ** (growth_db_per_s * (t - onset_s) / 20), 0.1)
    noise = np.random.default_rng(3).normal(0, 0.003, len(t))
    return noise + np.where(t < onset_s, 0, rise) * np.sin(2 * np.pi * RING_HZ * t)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Three recordings: a howl on the second of three channels, a calm one, a long howl."""
    folder = tmp_path_factory.mktemp("recordings")
    noise = np.random.default_rng(4).normal(0, 0.003, (2 * RATE, 3))
    noise[:, 1] = howl()
    soundfile.write(folder / "howl.wav", noise, RATE, subtype="PCM_24")
    soundfile.write(folder / "calm.wav", noise[:RATE, [0]], RATE)
    soundfile.write(folder / "long.wav", np.tile(howl(), 300), RATE)
    return folder


def scan(capsys, *words):
    """Run the command in this process; return exit code, stdout, stderr."""
    code = cli.main(["scan", *map(str, words)])
    out, err = capsys.readouterr()
    return code, out, err


def test_jsonl_is_pure_and_names_the_ring(folder, capsys):
    """Every line of stdout is an event; oracle: the ring's known channel, frequency and onset.

    The alarm must come after the onset and before the line's rise ends (40 dB at 60 dB/s).
    """
    code, out, err = scan(capsys, folder / "howl.wav", "--format", "jsonl")
    events = [json.loads(line) for line in out.splitlines()]
    assert code == 0
    assert {event["type"] for event in events} == {"ring"}
    alarm = next(event for event in events if event["state"] in ("ringing", "howling"))
    assert alarm["channel"] == 2
    assert alarm["frequency_hz"] == pytest.approx(RING_HZ, rel=0.003)
    assert alarm["band_hz"] == 2500
    assert 0.5 < alarm["time_s"] < 0.5 + 40 / 60
    assert [event["time_s"] for event in events] == sorted(event["time_s"] for event in events)
    assert "file" not in alarm
    assert "1 alarm (1 on Ch 2); 0:02.0 of audio" in err


def test_the_table_is_the_default(folder, capsys):
    """Without options a person gets the table, at most 80 columns wide."""
    code, out, _ = scan(capsys, folder / "howl.wav")
    lines = out.splitlines()
    assert code == 0
    assert lines[0].split()[:3] == ["time", "state", "channel"]
    assert any("pull 2.5 kHz by" in line for line in lines)
    assert max(map(len, lines)) <= 80


def test_several_files_are_told_apart(folder, capsys):
    """Events carry their file in jsonl and csv; csv has one header; the table has headings."""
    files = [folder / "howl.wav", folder / "calm.wav", folder / "howl.wav"]
    _, out, err = scan(capsys, *files, "--format", "jsonl")
    assert {json.loads(line)["file"] for line in out.splitlines()} == {str(files[0])}
    assert "2 alarms (2 on Ch 2)" in err
    assert "in 3 recordings" in err
    _, out, _ = scan(capsys, *files, "--format", "csv")
    rows = list(csv.DictReader(io.StringIO(out)))
    assert list(rows[0]) == ["file", *COLUMNS]
    assert len(rows) == len(out.splitlines()) - 1
    assert all(row["id"].isdigit() for row in rows)
    _, out, _ = scan(capsys, *files)
    assert [line for line in out.splitlines() if line.endswith(".wav")] == list(map(str, files))


def test_chosen_channels_keep_their_numbers(folder, capsys):
    """`--channels 2-3` still calls the ring's channel 2, and leaves channel 1 out."""
    code, out, _ = scan(capsys, folder / "howl.wav", "--channels", "2-3", "--format", "jsonl")
    assert code == 0
    assert {json.loads(line)["channel"] for line in out.splitlines()} == {2}
    code, out, _ = scan(capsys, folder / "howl.wav", "--channels", "1,3", "--format", "jsonl")
    assert (code, out) == (0, "")


@pytest.fixture
def show(tmp_path):
    """A show file: a name, a loop delay of 20 ms, and a channel too many."""
    path = tmp_path / "show.toml"
    path.write_text(
        '[[channels]]\nnumber = 2\nname = "Gäst"\nloop_delay_ms = 20\n[[channels]]\nnumber = 9\n',
        encoding="utf-8",
    )
    return path


def alarm_of(out):
    """Return the first alarm of JSON lines."""
    events = map(json.loads, out.splitlines())
    return next(event for event in events if event["state"] in ("ringing", "howling"))


def test_the_show_file_names_channels_and_loops(folder, show, capsys):
    """Name and loop delay come from the show file; a channel the recording lacks is said.

    Oracle: the margin is minus growth times loop delay (60 dB/s x 20 ms = 1.2 dB), so it scales
    with the delay and the command line's 5 ms gives a quarter.
    """
    path = folder / "howl.wav"
    code, out, err = scan(capsys, path, "--show", show, "--format", "jsonl")
    alarm = alarm_of(out)
    assert code == 0
    assert alarm["channel_name"] == "Gäst"
    assert alarm["margin_db"] == pytest.approx(-alarm["growth_db_per_s"] * 0.020, abs=0.02)
    assert alarm["margin_db"] == pytest.approx(-1.2, abs=0.5)
    assert "the show file also names channel 9, not recorded here" in err
    _, out, _ = scan(capsys, path, "--show", show, "--loop-delay-ms", 5, "--format", "jsonl")
    quick = alarm_of(out)
    assert quick["margin_db"] == pytest.approx(-quick["growth_db_per_s"] * 0.005, abs=0.02)


def test_a_reference_channel_never_alarms(folder, tmp_path, capsys):
    """The show file's word on a playback channel reaches the engine."""
    show = tmp_path / "show.toml"
    show.write_text('[[channels]]\nnumber = 2\nkind = "reference"\n')
    code, _, err = scan(capsys, folder / "howl.wav", "--show", show)
    assert code == 0
    assert "no alarms" in err


def test_keen_alarms_no_later_than_calm(folder, capsys):
    """The words of sensitivity reach the engine: keen asks for less evidence than calm."""
    times_s = {}
    for word in ("keen", "calm"):
        _, out, _ = scan(capsys, folder / "howl.wav", "--sensitivity", word, "--format", "jsonl")
        times_s[word] = alarm_of(out)["time_s"]
    assert times_s["keen"] < times_s["calm"]


def test_output_takes_the_place_of_stdout(folder, tmp_path, capsys):
    """With --output, stdout stays empty and the file holds what stdout would."""
    path = folder / "howl.wav"
    _, expected, _ = scan(capsys, path, "--format", "csv")
    target = tmp_path / "rings.csv"
    code, out, _ = scan(capsys, path, "--format", "csv", "--output", target)
    assert (code, out) == (0, "")
    assert target.read_text() == expected


def test_a_recording_is_never_overwritten(folder, capsys):
    """--output that names an input is refused before a byte is lost."""
    path = folder / "howl.wav"
    before = path.read_bytes()
    code, _, err = scan(capsys, path, "--output", path)
    assert code == 2
    assert "would be lost" in err
    assert path.read_bytes() == before


def test_one_bad_file_does_not_keep_the_others_back(folder, capsys):
    """The bad one is named in one line, the others are scanned, the code is 2."""
    files = [folder / "absent.wav", folder / "howl.wav"]
    code, out, err = scan(capsys, *files, "--format", "jsonl")
    assert code == 2
    assert alarm_of(out)["file"] == str(files[1])
    assert "absent.wav: cannot be read (No such file or directory)" in err
    assert "1 alarm" in err


def test_help_shows_an_example(capsys):
    """`--help` ends with the example."""
    with pytest.raises(SystemExit, match="0"):
        cli.main(["scan", "--help"])
    assert "example: prehowl scan rehearsal.wav" in capsys.readouterr().out


def test_the_summary_is_one_line_that_names_channels_most_alarms_first():
    """Golden, by hand."""
    tally = Tally(began_s=time.monotonic() - 10)
    names = {1: "Vox 1", 4: "Ch 4"}
    tally.add(LoopResult(100, 300.0, 9, {1: 1, 4: 2}), names)
    assert (
        tally.summary() == "3 alarms (2 on Ch 4, 1 on Vox 1); 5:00.0 of audio, 30 times real time"
    )


def test_a_closed_pipe_is_quiet(folder):
    """`prehowl scan ... | head -1`: the reader leaves, nobody complains."""
    words = [PREHOWL, "scan", folder / "long.wav", "--format", "csv"]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdout.readline().startswith(b"id,")
        process.stdout.close()
        assert process.stderr.read() == b""
        assert process.wait(60) == 0


def test_ctrl_c_keeps_what_was_found(folder):
    """SIGINT after the first alarm: what was printed stays, the summary says it is early, 130."""
    words = [PREHOWL, "scan", folder / "long.wav", "--format", "jsonl"]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        first = process.stdout.readline()
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=60)
    lines = (first + out).splitlines()
    assert process.returncode == 128 + signal.SIGINT
    assert all(json.loads(line)["type"] == "ring" for line in lines)
    assert err.startswith(b"prehowl: stopped early: ")
    assert err.count(b"\n") == 1


def test_progress_shows_on_a_terminal_only_and_leaves_stdout_clean(folder):
    """stderr on a pseudo-terminal shows the file's bar; stdout, a pipe, holds JSON alone."""
    ours, theirs = pty.openpty()
    words = [PREHOWL, "scan", folder / "howl.wav", "--format", "jsonl"]
    environment = {**os.environ, "TERM": "xterm", "COLUMNS": "80"}
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=theirs, env=environment) as process:
        os.close(theirs)
        out, screen = _both(process, ours)
    os.close(ours)
    assert process.returncode == 0
    assert all(json.loads(line)["type"] == "ring" for line in out.splitlines())
    assert b"howl.wav" in screen
    assert b"1 alarm" in screen


def _both(process, terminal):
    """Return all of stdout and all that the terminal shows; neither may fill up meanwhile."""
    seen = {process.stdout.fileno(): b"", terminal: b""}
    open_ends = set(seen)
    deadline_s = time.monotonic() + 60
    while open_ends and time.monotonic() < deadline_s:
        for end in select.select(open_ends, [], [], 1)[0]:
            try:
                data = os.read(end, 65536)
            except OSError:  # Linux: a terminal whose other side closed
                data = b""
            seen[end] += data
            if not data:
                open_ends.remove(end)
    assert not open_ends
    return seen[process.stdout.fileno()], seen[terminal]


def test_the_record_has_the_documented_keys():
    """docs/events.md lists each key of the record and each column of the CSV."""
    text = (Path(__file__).parents[2] / "docs" / "events.md").read_text("utf-8")
    fields = set(RingEvent.__dataclass_fields__) | set(COLUMNS) | {"type", "file"}
    missing = [name for name in fields if f"| `{name}` |" not in text]
    assert missing == []
