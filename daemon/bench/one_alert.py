"""The worked example of docs/one-alert.md: two microphones, a mix and a playback on a small stage.

First the playback brings music that one microphone cannot tell from a howl (pure tones that swell
straight in dB), through the mix and the wedge into both microphones. Then the singer's send goes
over the limit of its loop for a moment. The same samples are watched twice: with the playback as a
reference, and without it.
"""

import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

from prehowl.daemon.bench.nuisance.indistinct import pure_pad
from prehowl.daemon.bench.nuisance.shapes import pink
from prehowl.daemon.errors import OutputError
from prehowl.daemon.events import RingEvent
from prehowl.daemon.loop import run_loop
from prehowl.daemon.rings_now import RingsNow
from prehowl.daemon.show import load_show
from prehowl.daemon.show.wiring import wiring_of
from prehowl.daemon.sinks.base import Snapshot
from prehowl.daemon.sources.recording import RecordingSource
from prehowl.daemon.stage.acts import ring_out
from prehowl.daemon.stage.faders import OFF_DB
from prehowl.daemon.stage.gear import Microphone, Wedge, some_resonances
from prehowl.daemon.stage.stage import Rig, Stage
from prehowl.daemon.stage.stage_truth import stage_modes
from prehowl.detectors.engine import Engine

RATE_HZ = 48000
NAMES = ("Vox", "Choir", "Mix 1", "Playback")
MUSIC_S = 12.0
HOWL_S = 14.0
"""When the send goes up; the music has gone two seconds before."""
PULLED_S = 16.0
END_S = 17.5
SENDS_DB = np.array([[0.0, -8.0]])
MARGIN_DB = 4.0
"""What the ring-out leaves in hand."""
OVER_DB = 1.5
ROOM_DBFS = -52.0
PLAYBACK_DB = -6.0
"""Of the playback in the mix."""
AUDIO, SHOW = "one-alert.wav", "one-alert.toml"
SHOW_TEXT = """\
# The stage of docs/one-alert.md. Leave the last table out, and its music is alarmed.
[[channels]]
number = 1
name = "Vox"
mix = "Mix 1"

[[channels]]
number = 2
name = "Choir"

[[channels]]
number = 3
name = "Mix 1"
kind = "mix"
wedge = "centre wedge"

[[channels]]
number = 4
name = "Playback"
kind = "reference"
"""


@dataclass(frozen=True, slots=True)
class Truth:
    """What the stage's own loop says of the howl."""

    frequency_hz: float
    growth_db_per_s: float
    mic: str
    mix: str


def render(seed: int) -> tuple[NDArray[np.float32], Truth]:
    """Play the example; return samples (samples, 4 channels) and the truth of its howl."""
    rng = np.random.default_rng([seed, 11])
    stage = _stage(rng)
    music = np.zeros(round(END_S * RATE_HZ))
    pad = pure_pad(rng, MUSIC_S - 1.0, RATE_HZ)
    music[: len(pad)] = pad
    room = 10 ** (ROOM_DBFS / 20) * np.array([pink(rng, len(music)) for _ in range(2)])
    level_db = float(stage.sends.now_db[0, 0])
    length, parts, truth = stage.block_length, [], None
    for at in range(0, len(music) - length, length):
        if truth is None and at >= HOWL_S * RATE_HZ:
            stage.sends.move((0, 0), level_db + MARGIN_DB + OVER_DB, 0.05)
            stage.sends.next(round(0.05 * RATE_HZ))  # there at once, so that the truth is of it
            mode = stage_modes(stage.loop_state(), RATE_HZ)[0]
            truth = Truth(
                float(mode.frequency_hz), float(mode.growth_db_per_s), NAMES[mode.mic], NAMES[2]
            )
        if at <= PULLED_S * RATE_HZ < at + length:
            stage.sends.move((0, 0), level_db, 0.05)
        played = music[at : at + length]
        mic, mix = stage.step(room[:, at : at + length], 10 ** (PLAYBACK_DB / 20) * played[None])
        parts.append(np.concatenate((mic, mix, played[None])))
    assert truth is not None  # the howl is before the end
    together = np.concatenate(parts, axis=1).T
    return np.clip(together, -1.0, 1.0).astype(np.float32), truth


def write(folder: Path, samples: NDArray[np.float32]) -> None:
    """Write the recording and its show file, for `prehowl scan` and `prehowl watch`.

    Raises
    ------
    OutputError
        If they cannot be written.
    """
    try:
        soundfile.write(folder / AUDIO, samples, RATE_HZ, subtype="FLOAT")
        (folder / SHOW).write_text(SHOW_TEXT, encoding="utf-8")
    except (soundfile.LibsndfileError, OSError) as fault:
        raise OutputError(f"{folder}: cannot be written ({fault}); make room there") from fault


def keep(made: Path, folder: Path) -> None:
    """Copy recording and show file from where `figures` made them.

    Raises
    ------
    OutputError
        If they cannot be written.
    """
    try:
        for name in (AUDIO, SHOW):
            shutil.copyfile(made / name, folder / name)
    except OSError as fault:
        raise OutputError(
            f"--keep {folder}: cannot write there ({fault.strerror}); choose another folder"
        ) from fault


def figures(seed: int, folder: Path) -> dict[str, Any]:
    """Play the example into a folder; return what is told of it and what is true.

    Parameters
    ----------
    seed : int
        Of the stage and its sound.
    folder : Path
        Gets recording and show file.

    Raises
    ------
    OutputError
        If they cannot be written.
    """
    samples, truth = render(seed)
    write(folder, samples)
    told = {
        "with_reference": _told(watched(folder, (1, 2, 3, 4)), truth),
        "without_reference": _told(watched(folder, (1, 2, 3)), truth),
    }
    return {
        "seed": seed,
        "truth": {
            "frequency_hz": round(truth.frequency_hz, 2),
            "growth_db_per_s": round(truth.growth_db_per_s, 1),
            "mic": truth.mic,
            "mix": truth.mix,
        },
        **told,
    }


def watched(folder: Path, channels: tuple[int, ...]) -> list[RingEvent]:
    """Return all events of the recording in a folder on these channels."""
    show = load_show(str(folder / SHOW))
    source = RecordingSource(str(folder / AUDIO), channels=channels)
    setups = show.setups(len(NAMES))
    heard = _Heard()
    run_loop(
        source,
        Engine(RATE_HZ, [setups[number - 1] for number in channels]),
        [heard],
        names=[NAMES[number - 1] for number in channels],
        channel_numbers=channels,
        snapshot_s=None,
        wiring=wiring_of(show, channels),
    )
    return heard.events


def lines(told: dict[str, Any]) -> Iterator[str]:
    """Return the figures as lines for a person."""
    truth = told["truth"]
    yield (
        f"truth: {truth['mic']} and {truth['mix']} howl at {truth['frequency_hz']:.1f} Hz, "
        f"{truth['growth_db_per_s']:.0f} dB/s"
    )
    yield f"{'':<26}{'with reference':>16}{'without':>12}"
    rows = (
        ("music: rings alarmed", "music", "rings"),
        ("music: alerts", "music", "alerts"),
        ("howl: rings alarmed", "howl", "rings"),
        ("howl: alerts", "howl", "alerts"),
        ("howl: farthest apart, Hz", "howl", "apart_hz"),
        ("howl: off the truth, Hz", "howl", "error_hz"),
    )
    both = told["with_reference"], told["without_reference"]
    for label, part, name in rows:
        values = [one[part].get(name) for one in both]
        shown = ["-" if value is None else f"{value:g}" for value in values]
        yield f"{label:<26}{shown[0]:>16}{shown[1]:>12}"
    named = told["with_reference"]["howl"]["named"]
    yield f"the howl's one alert: {named or 'none'}"


def _told(events: list[RingEvent], truth: Truth) -> dict[str, Any]:
    """Return what was alarmed in the music, and in the howl."""
    music = _count([event for event in events if event.time_s < MUSIC_S + 1.0])
    late = [event for event in events if event.time_s >= HOWL_S]
    alarms = [event for event in late if event.is_alarm]
    hertz = [event.frequency_hz for event in alarms]
    howl = {
        **_count(late),
        "channels": sorted({event.channel_name for event in alarms}),
        "apart_hz": round(max(hertz) - min(hertz), 2) if hertz else None,
        "error_hz": round(max(abs(hz - truth.frequency_hz) for hz in hertz), 2) if hertz else None,
        "named": _named(alarms[-1]) if alarms else None,
    }
    return {"music": music, "howl": howl}


def _count(events: list[RingEvent]) -> dict[str, int]:
    rings = {event.id for event in events if event.is_alarm}
    now = RingsNow()
    for event in events:
        now.take(event)
    return {"rings": len(rings), "alerts": now.alarms}


def _named(event: RingEvent) -> str:
    alert = event.alert
    assert alert is not None  # all come out of a loop
    return f"mic {alert.mic}, mix {alert.mix}, {alert.wedge}"


def _stage(rng: np.random.Generator) -> Stage:
    """Return a singer at the wedge and a choir's microphone beside, rung out."""
    singer = Microphone((0.1, 2.1, 1.55), (0.0, 1.0, 0.1), cavity_hz=1400.0)
    choir = Microphone((2.0, 3.2, 1.6), (-0.4, 1.0, 0.1), presence_hz=5200.0)
    wedge = Wedge((0.0, 1.0, 0.25), (0.0, 0.7, 0.75), some_resonances(rng))
    stage = Stage(Rig((singer, choir), (wedge,), (0.003,)), RATE_HZ, int(rng.integers(2**31)))
    base = ring_out(stage.loop_state(), RATE_HZ, SENDS_DB, MARGIN_DB)
    for (mix, ch), level_db in np.ndenumerate(base):
        stage.sends.move((mix, ch), max(float(level_db), OFF_DB), 0.0)
    stage.sends.next(1)
    return stage


class _Heard:
    """Keeps all events. A `Sink`."""

    def __init__(self) -> None:
        self.events: list[RingEvent] = []

    def start(self) -> None:
        """Do nothing."""

    def on_event(self, event: RingEvent) -> None:
        """Keep it."""
        self.events.append(event)

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Let it pass."""

    def close(self) -> None:
        """Do nothing."""
