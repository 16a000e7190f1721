"""What the tests of the logbook share: a small show, and a disc that is too small."""

import contextlib
import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from fakes import event

from prehowl.daemon import cli
from prehowl.daemon.events import Alert, RingEvent
from prehowl.daemon.logbook.records import ActChange, ChannelRow, RunInfo
from prehowl.daemon.logbook.sink import ClipPlan, LogbookSink
from prehowl.detectors.rings import RingState

RATE_HZ = 48000
ROWS = (
    ChannelRow(1, "Vox 1", "mic", "Mix 1"),
    ChannelRow(2, "Vox 2", "mic"),
    ChannelRow(5, "Mix 1", "mix", "Vox 1"),
)
INFO = RunInfo("watch", "Stage box", "Quarry Meadow <Saturday>", RATE_HZ, "0", ROWS)


def run(capsys, *words) -> tuple[int, str, str]:
    """Run a command in this process; return exit code, stdout, stderr."""
    code = cli.main([str(word) for word in words])
    told = capsys.readouterr()
    return code, told.out, told.err


def howl(
    id: int,
    channel: int,
    at_s: float,
    *,
    hz: float = 2513.0,
    name: str | None = None,
    dbfs: float = -18.2,
    alert: Alert | None = None,
) -> list[RingEvent]:
    """Return the four events of one ring that begins at `at_s` and is calm 2 s later."""
    names = {row.number: row.name for row in ROWS}
    told = {"id": id, "channel": channel, "channel_name": name or names[channel]}
    band = min((500.0, 630.0, 800.0, 1000.0, 1250.0, 2500.0), key=lambda b: abs(np.log(b / hz)))
    made = []
    for after_s, state in enumerate(RingState):
        one = event(state, time_s=at_s + after_s / 2, frequency_hz=hz, band_hz=band, **told)
        made.append(
            RingEvent(**{**_fields(one), "onset_s": at_s, "level_dbfs": dbfs, "alert": alert})
        )
    return made


def _fields(one: RingEvent) -> dict:
    return {name: getattr(one, name) for name in RingEvent.__slots__}


def sound(seconds: float, channels: int = len(ROWS)) -> np.ndarray:
    """Return noise with a tone of -20 dBFS at 2513 Hz on the first channel."""
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    noise = np.random.default_rng(7).normal(0, 0.001, (len(time_s), channels))
    noise[:, 0] += 0.1 * np.sin(2 * np.pi * 2513 * time_s)
    return noise.astype(np.float32)


def written(path: Path, events: list[RingEvent], *, acts=((0.0, "First"),), clips=True) -> Path:
    """Write a logbook with these events, sound around them, and acts; return its path."""
    plan = ClipPlan(is_on=clips, before_s=0.2, after_s=0.1)
    sink = LogbookSink(path, INFO, clips=plan, may_wait=True)
    sink.start()
    piece = sound(0.05)
    waiting = list(acts)
    for one in events:
        while waiting and waiting[0][0] <= one.time_s:
            at_s, name = waiting.pop(0)
            sink.keep(ActChange(name).entry(at_s))
        _play(sink, piece)
        sink.on_event(one)
    _play(sink, piece)
    sink.close()
    assert sink.missing == ""
    return path


def _play(sink: LogbookSink, piece: np.ndarray) -> None:
    """Feed half a second, in pieces as long as the loop's longest."""
    for _ in range(10):
        sink.on_samples(piece)


@contextlib.contextmanager
def small_disc(folder: Path, size: str) -> Iterator[Path]:
    """Give a file system that holds no more than `size`, where root may make one; else skip."""
    place = folder / "disc"
    place.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(place)]
    if os.geteuid() != 0 or subprocess.run(command, capture_output=True, check=False).returncode:
        pytest.skip("needs the right to mount a small tmpfs (root)")
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)
