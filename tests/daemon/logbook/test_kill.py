"""A program that is killed at any moment loses at most the last second, and never the file."""

import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from logbook.books import INFO

from prehowl.daemon.logbook.reader import LogbookReader
from prehowl.daemon.logbook.store import open_store

KILLS = 6
LAST_S = 1.0

PROGRAM = """
import itertools, sys, time
from pathlib import Path
import numpy as np
from fakes import event
from logbook.books import INFO, sound
from prehowl.daemon.logbook.sink import ClipPlan, LogbookSink
from prehowl.detectors.rings import RingState

sink = LogbookSink(Path(sys.argv[1]), INFO, clips=ClipPlan(before_s=0.2, after_s=0.02))
sink.start()
piece = sound(0.05)
for n in itertools.count(1):
    sink.on_samples(piece)
    sink.on_event(event(RingState.RINGING, id=n, channel=1 + n % 2, time_s=n / 20))
    print(n, time.time(), flush=True)
    time.sleep(0.002)
"""


def killed_after(path: Path, seconds: float) -> list[tuple[int, float]]:
    """Let the program write for a while, kill it; return (id, when) of what it had handed over."""
    here = Path(__file__).parent.parent
    process = subprocess.Popen(
        [sys.executable, "-c", PROGRAM, str(path)],
        stdout=subprocess.PIPE,
        text=True,
        env={"PYTHONPATH": f"{here}:{here.parent}"},
    )
    with process:
        assert process.stdout is not None
        first = process.stdout.readline()
        time.sleep(seconds)  # the moment of the kill is what is under test
        process.send_signal(signal.SIGKILL)
        lines = [first, *process.stdout.readlines()]
    whole = [line.split() for line in lines if line.endswith("\n")]
    return [(int(n), float(at)) for n, at in whole]


def test_kills_at_random_times_lose_at_most_the_last_second(tmp_path):
    """Oracles: SQLite's own integrity check; what the program said it had handed over."""
    rng = random.Random(20)
    path = tmp_path / "show.logbook"
    for run in range(1, KILLS + 1):
        handed = killed_after(path, rng.uniform(0.0, 0.8))
        with LogbookReader(path) as reader:
            assert reader.soundness() == "ok"
            kept = [line.data["id"] for line in reader.lines(run=run, kind="ring")]
            clips = [clip.ring for _, clip in reader.clips(run)]
            assert not reader.runs()[-1].is_ended
        assert kept == list(range(1, len(kept) + 1))  # nothing left out, nothing twice
        due = [n for n, at in handed if at < handed[-1][1] - LAST_S]
        assert len(kept) >= len(due)
        assert set(clips) <= set(kept)
    store, said = open_store(path, INFO)
    store.close()
    assert said == ""


@pytest.mark.parametrize("keep", [0, 100, 4096, 5000, 12000])
def test_a_file_torn_off_at_any_length_is_no_obstacle(tmp_path, keep):
    """Oracle: definition. Whatever a dying disc left: it is gone on with, or set aside."""
    path = tmp_path / "show.logbook"
    killed_after(path, 0.1)
    data = path.read_bytes()
    path.write_bytes(data[:keep])
    for tail in ("-wal", "-shm"):
        path.with_name(path.name + tail).unlink(missing_ok=True)
    store, _said = open_store(path, INFO)
    store.close()
    with LogbookReader(path) as reader:
        assert reader.soundness() == "ok"
        assert reader.runs()[-1].info == INFO
