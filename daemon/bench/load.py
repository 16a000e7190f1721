"""What the engine costs: CPU seconds for a second of audio, against the bare windowed FFT.

Engine and floor take turns, slice by slice, in one process, so that whatever else the machine
does, or how warm it is, falls on both alike; the medians of the slices are reported. CPU time of
the whole process is counted, so idle waiting costs nothing and hidden threads hide nothing.
"""

import multiprocessing
import os
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from prehowl.daemon.bench import material
from prehowl.daemon.bench.material import Excerpt
from prehowl.daemon.bench.nuisance import shapes, voices
from prehowl.daemon.shedding_order import shedder_for
from prehowl.detectors.engine import ChannelSetup, Engine

Samples = NDArray[np.float32]

WARM_UP_S = 2.0
SLICE_S = 1.0
BLOCK_S = 0.01
"""What a device hands over at a time."""
TRACKS = 8
ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}


@dataclass(frozen=True, slots=True)
class StepLoad:
    """What is left with one thing less than in the step before."""

    without: str
    realtime_share: float


@dataclass(frozen=True, slots=True)
class Load:
    """Figures of one run."""

    channels: int
    rate_hz: int
    seconds: float  # of audio measured
    realtime_share: float  # CPU seconds of the engine for a second of audio
    floor_share: float  # the same for the windowed FFT of the same frames at the same hops
    ratio: float
    slowest_share: float  # the dearest slice of the engine
    frame_lengths: tuple[int, ...]
    hop_lengths: tuple[int, ...]
    steps: tuple[StepLoad, ...] = ()  # where asked for: what is left with each thing less


def measure_alone(
    channels: int, rate_hz: int, seconds: float, seed: int, references: int | None = None
) -> Load:
    """Measure in a process of its own whose numerical libraries may use one thread only."""
    before = {name: os.environ.get(name) for name in ONE_THREAD}
    os.environ.update(ONE_THREAD)
    try:
        context = multiprocessing.get_context("spawn")
        with ProcessPoolExecutor(1, mp_context=context) as pool:
            return pool.submit(measure, channels, rate_hz, seconds, seed, references).result()
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


def measure(
    channels: int, rate_hz: int, seconds: float, seed: int, references: int | None = None
) -> Load:
    """Measure here and now.

    Parameters
    ----------
    channels, rate_hz : int
    seconds : float
        Of audio, after a warm-up; in whole slices of one second, at least one.
    seed : int
        Of the programme.
    references : int, optional
        So many of the channels are reference channels; if given, the steps that an overloaded
        watch takes are measured, too.
    """
    setups = [ChannelSetup(is_reference=n < (references or 0)) for n in range(channels)]
    engine = Engine(rate_hz, setups)
    lessened = [] if references is None else _lessened(rate_hz, setups)
    floor = Floor(engine, channels)
    slices = max(1, round(seconds / SLICE_S))
    sound = programme(channels, rate_hz, WARM_UP_S + slices * SLICE_S, seed)
    parts = list(_slices(sound, rate_hz))
    ours, bare = [], []
    less: list[list[float]] = [[] for _ in lessened]
    for number, part in enumerate(parts):
        spent, floor_spent = _engine_cpu_s(engine, part, rate_hz), floor.cpu_s(part)
        spent_less = [_engine_cpu_s(other, part, rate_hz) for _, other in lessened]
        if number * SLICE_S >= WARM_UP_S:
            for shares, seconds_spent in zip(less, spent_less, strict=True):
                shares.append(seconds_spent / SLICE_S)
            ours.append(spent / SLICE_S)
            bare.append(floor_spent / SLICE_S)
    share, floor_share = float(np.median(ours)), float(np.median(bare))
    return Load(
        channels,
        rate_hz,
        slices * SLICE_S,
        round(share, 4),
        round(floor_share, 4),
        round(share / floor_share, 2),
        round(max(ours), 4),
        tuple(r.frame_length for r in engine.resolutions),
        tuple(r.hop_length for r in engine.resolutions),
        tuple(
            StepLoad(name, round(float(np.median(shares)), 4))
            for (name, _), shares in zip(lessened, less, strict=True)
        ),
    )


def _lessened(rate_hz: int, setups: list[ChannelSetup]) -> list[tuple[str, Engine]]:
    """Return engines that do without one thing more each, in the order of an overloaded watch."""
    count = sum(setup.is_reference for setup in setups)
    most = len(
        shedder_for(Engine(rate_hz, setups), [], channels=len(setups), references=count).steps
    )
    found = []
    for level in range(1, most + 1):
        engine = Engine(rate_hz, setups)
        shedder = shedder_for(engine, [], channels=len(setups), references=count)
        shedder.apply(level)
        found.append((shedder.steps[level - 1].what, engine))
    return found


def _slices(sound: Samples, rate_hz: int) -> Iterator[Samples]:
    length = round(SLICE_S * rate_hz)
    for at in range(0, len(sound) - length + 1, length):
        yield sound[at : at + length]


def _engine_cpu_s(engine: Engine, part: Samples, rate_hz: int) -> float:
    block = max(1, round(BLOCK_S * rate_hz))
    begun = time.process_time()
    for at in range(0, len(part), block):
        engine.feed(part[at : at + block])
    return time.process_time() - begun


class Floor:
    """The bare windowed FFT of the engine's frames: what no detector of this design can avoid.

    One call a hop for all channels; copying the samples in and framing are not counted.
    """

    def __init__(self, engine: Engine, channels: int) -> None:
        self._sizes = [(r.frame_length, r.hop_length) for r in engine.resolutions]
        self._windows = [np.hanning(frame).astype(np.float32) for frame, _ in self._sizes]
        longest = max(frame for frame, _ in self._sizes)
        self._past = np.zeros((channels, longest), np.float32)
        self._until = 0

    def cpu_s(self, part: Samples) -> float:
        """Transform all frames that end within a part, shape (samples, channels)."""
        held = self._past.shape[1]
        joined = np.ascontiguousarray(np.concatenate((self._past, part.T), axis=1))
        begun = time.process_time()
        for (frame, hop), window in zip(self._sizes, self._windows, strict=True):
            first = hop - self._until % hop
            for end in range(held + first, joined.shape[1] + 1, hop):
                scipy.fft.rfft(joined[:, end - frame : end] * window, axis=1)
        spent = time.process_time() - begun
        self._past = joined[:, joined.shape[1] - held :]
        self._until += len(part)
        return spent


def programme(channels: int, rate_hz: int, seconds: float, seed: int) -> Samples:
    """Return what a desk might send: music, speech, tones and noise, each channel at its level.

    Returns
    -------
    ndarray of float32, shape (samples, channels)
    """
    rng = np.random.default_rng(seed)
    tracks = _tracks(rng, rate_hz, seconds)
    out = np.empty((len(tracks[0]), channels), np.float32)
    for ch in range(channels):
        shift = int(rng.integers(len(tracks[0])))
        gain = np.float32(10 ** (rng.uniform(-18, 0) / 20))
        out[:, ch] = gain * np.roll(tracks[ch % len(tracks)], shift)
    return out


def _tracks(rng: np.random.Generator, rate_hz: int, seconds: float) -> list[Samples]:
    """Make the different sounds; recordings where they are installed, made voices where not."""
    n = round(seconds * rate_hz)
    tracks = []
    recorded = material.pieces("tune", ("music", "speech"))
    for number in range(TRACKS):
        if recorded:
            piece = recorded[int(rng.integers(len(recorded)))]
            excerpt = Excerpt(piece, 0.0, seconds, -24.0, int(rng.integers(2**31)))
            sound = material.render(excerpt, rate_hz)
        else:
            voice = voices.sung_vibrato(rng, seconds, rate_hz)
            sound = material.set_level(voice, -24.0, rate_hz)
        hiss = 10 ** (-50 / 20) * shapes.pink(rng, n)
        tone = 0.003 * np.sin(2 * np.pi * 250 * 1.7**number * np.arange(n) / rate_hz)
        tracks.append(np.asarray(sound[:n] + hiss + tone, np.float32))
    return tracks
