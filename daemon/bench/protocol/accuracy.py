"""The 2025 protocol: F1 over frames and bins, for its features and for the engine.

The gain lies 6 dB under the limit for 8 s, rises over 1 s and is then held at the limit, or
`over_db` above it, for the rest of 20 s. What the engine holds at the end of each frame counts as
fired bins: of each of its rings the one bin nearest to the frequency it last named.
`engine (any state)` takes rings in suspect, ringing or howling, `engine (alarms)` in ringing or
howling only.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.bench import hearing, pool
from prehowl.daemon.bench.peers.spectrogram import Framing, transform
from prehowl.daemon.bench.protocol import loops
from prehowl.daemon.bench.protocol.counting import SPANS, Count, count
from prehowl.daemon.bench.protocol.features import FEATURES, HOP
from prehowl.daemon.bench.protocol.loops import RATE_HZ, Loop, Order
from prehowl.detectors.engine import ChannelSetup
from prehowl.detectors.rings import RingChange, RingState

Real = NDArray[np.float64]
Mask = NDArray[np.bool_]

SECONDS = 20.0
BATCH = 4
ENGINE_FRAMING = Framing(1024, HOP)
FACTORS = (0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0)
"""The engine's operating points, times its default sensitivity; a show file may choose any."""
ALARMS = (RingState.RINGING, RingState.HOWLING)
READINGS = {
    "engine (any state)": (RingState.SUSPECT, *ALARMS),
    "engine (alarms)": ALARMS,
}

Key = tuple[str, str]  # curve, span


@dataclass(frozen=True, slots=True)
class Job:
    """Some loops, and how far over the limit their gain ends."""

    orders: tuple[Order, ...]
    over_db: float


@dataclass(frozen=True, slots=True)
class FileCount:
    """One file's counts, a `Count` for each setting of each curve; None: the file was dropped."""

    kind: str
    name: str
    howl_hz: float
    counts: dict[Key, tuple[Count, ...]] | None


def trajectory(samples: int, over_db: float) -> Real:
    """Return the gain against the limit in dB at each sample; the rise is straight in dB (ours)."""
    return np.interp(np.arange(samples) / RATE_HZ, (8.0, 9.0), (-6.0, over_db))


def do(job: Job) -> tuple[FileCount, ...]:
    """Simulate the loops of a job and count what every curve fires in them."""
    made, _ = loops.simulate(job.orders, lambda samples: trajectory(samples, job.over_db))
    told = _engine([loop for loop in made if loop.is_heard])
    return tuple(
        FileCount(
            loop.kind,
            loop.name,
            loop.howl_hz,
            {**_features(loop), **_held(loop, told.pop(0))} if loop.is_heard else None,
        )
        for loop in made
    )


def true_bins(howl_hz: float, frame_length: int) -> tuple[int, int]:
    """Return the bins just below and just above a frequency."""
    place = howl_hz * frame_length / RATE_HZ
    return int(np.floor(place)), int(np.ceil(place))


def _features(loop: Loop) -> dict[Key, tuple[Count, ...]]:
    found = {}
    for feature in FEATURES[loop.kind]:
        view = transform(loop.samples, feature.framing, RATE_HZ)
        figure = feature.figure(view)
        end_s = view.end_s(np.arange(len(figure)))
        bins = true_bins(loop.howl_hz, feature.frame_length)
        for span in SPANS:
            found[feature.name, span] = tuple(
                count(figure >= threshold, end_s, bins, span) for threshold in feature.thresholds
            )
    return found


def _engine(heard: Sequence[Loop]) -> list[list[tuple[RingChange, ...]]]:
    if not heard:
        return []
    usual = ChannelSetup()
    setups = [replace(usual, sensitivity=usual.sensitivity * factor) for factor in FACTORS]
    rows = np.repeat(np.stack([loop.samples for loop in heard]), len(setups), axis=0)
    told = hearing.changes_of(rows, RATE_HZ, setups * len(heard))
    return [told[at : at + len(setups)] for at in range(0, len(told), len(setups))]


def _held(loop: Loop, told: Sequence[tuple[RingChange, ...]]) -> dict[Key, tuple[Count, ...]]:
    frames = 1 + (len(loop.samples) - ENGINE_FRAMING.frame_length) // HOP
    end = np.arange(frames) * HOP + ENGINE_FRAMING.frame_length
    bins = true_bins(loop.howl_hz, ENGINE_FRAMING.frame_length)
    found = {}
    for reading, states in READINGS.items():
        masks = [held_bins(changes, states, end) for changes in told]
        for span in SPANS:
            found[reading, span] = tuple(count(m, end / RATE_HZ, bins, span) for m in masks)
    return found


def held_bins(
    changes: Sequence[RingChange], states: Sequence[RingState], end: NDArray[np.intp]
) -> Mask:
    """Mark the bin of each ring that is in one of the states at the end of each frame.

    Parameters
    ----------
    changes : sequence of RingChange
        Of one channel, in order of time.
    states : sequence of RingState
    end : ndarray of int, shape (frames,)
        Samples up to the end of each frame.

    Returns
    -------
    ndarray of bool, shape (frames, 513)
    """
    length = ENGINE_FRAMING.frame_length
    fired = np.zeros((len(end), length // 2 + 1), bool)
    for now, after in _spans(changes):
        if now.state in states:
            first = np.searchsorted(end, now.sample)
            last = len(end) if after is None else np.searchsorted(end, after.sample)
            fired[first:last, round(now.frequency_hz * length / RATE_HZ)] = True
    return fired


def _spans(changes: Sequence[RingChange]) -> Iterator[tuple[RingChange, RingChange | None]]:
    """Yield each change with the next of the same ring."""
    own: dict[int, list[RingChange]] = {}
    for change in changes:
        own.setdefault(change.id, []).append(change)
    for story in own.values():
        yield from zip(story, [*story[1:], None], strict=True)


def jobs_of(split: str, files: int, seed: int, over_db: float) -> list[Job]:
    """Cut a run into jobs."""
    drawn = loops.orders(split, files, seed, SECONDS)
    return [Job(tuple(drawn[at : at + BATCH]), over_db) for at in range(0, len(drawn), BATCH)]


def run(
    jobs: Sequence[Job], processes: int, done: Callable[[int, int], None]
) -> tuple[FileCount, ...]:
    """Do all jobs; `done` is told (jobs done, of how many) after each."""
    files: list[FileCount] = []
    for number, part in enumerate(pool.each(do, jobs, processes), start=1):
        files += part
        done(number, len(jobs))
    return tuple(files)
