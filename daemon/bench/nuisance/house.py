"""What a house brings besides music: hum, test tones, applause, clipping, noise."""

import numpy as np
from scipy.signal import butter, sosfilt

from prehowl.daemon.bench.nuisance.instruments import drums, guitar_sustain
from prehowl.daemon.bench.nuisance.shapes import (
    Samples,
    Track,
    envelope,
    harmonics,
    notes,
    pink,
    wander,
)
from prehowl.daemon.bench.nuisance.voices import sung_vibrato


def hum(rng: np.random.Generator, seconds: float, rate_hz: int) -> Samples:
    """Hum at mains frequency with harmonics, patched in and out, over some noise."""
    mains = float(rng.choice([50.0, 60.0])) + rng.normal(0, 0.02)

    def stretch(r: np.random.Generator, n: int, f: int) -> Track:
        weights = r.random(20) / np.arange(1, 21) ** r.uniform(0, 1)
        track = mains * wander(n, f, 0.3, r)
        return harmonics(track, weights, f) * envelope(n, f, r.uniform(0.001, 0.5), 0.01)

    out = notes(rng, seconds, rate_hz, stretch, (3, 15), (0.2, 3))
    return np.asarray(out + 0.02 * pink(rng, len(out)), np.float32)


def lineup(rng: np.random.Generator, seconds: float, rate_hz: int) -> Samples:
    """Switch line-up tones on and off, 1 kHz and others, at one level, without clicks."""

    def tone(r: np.random.Generator, n: int, f: int) -> Track:
        hz = float(r.choice([100, 400, 440, 1000, 1000, 1000, 3150, 6300, 10000]))
        return harmonics(np.full(n, hz), np.array([1.0]), f) * envelope(n, f, 0.005, 0.005)

    out = notes(rng, seconds, rate_hz, tone, (0.2, 12), (0.1, 2))
    return np.asarray(out + 1e-4 * rng.normal(size=len(out)), np.float32)


def pilot(rng: np.random.Generator, seconds: float, rate_hz: int) -> Samples:
    """Leave pilots and whines standing all the time under noise: 7 to 19 kHz, 10 to 30 dB down."""
    out = pink(rng, int(seconds * rate_hz))
    time_s = np.arange(len(out)) / rate_hz
    for _ in range(rng.integers(1, 4)):
        level = 10 ** (rng.uniform(-30, -10) / 20)
        out += level * np.sin(2 * np.pi * rng.uniform(7000, 19000) * time_s)
    return out.astype(np.float32)


def sweeps(rng: np.random.Generator, seconds: float, rate_hz: int) -> Samples:
    """Sweep sines up and down logarithmically, 20 Hz to 20 kHz in 2 to 20 s."""

    def sweep(r: np.random.Generator, n: int, f: int) -> Track:
        low, high = 20.0, min(20000.0, 0.44 * f)
        path = np.geomspace(low, high, n) if r.random() < 0.7 else np.geomspace(high, low, n)
        return harmonics(path, np.array([1.0]), f) * envelope(n, f, 0.02, 0.02)

    return notes(rng, seconds, rate_hz, sweep, (2, 20), (0.2, 1))


def applause(rng: np.random.Generator, seconds: float, rate_hz: int) -> Samples:
    """Clap hands, many, swelling and fading: short bursts of band noise at random times."""
    n = int(seconds * rate_hz)
    density = 200 * (1 + np.sin(2 * np.pi * np.arange(n) / rate_hz / rng.uniform(5, 15))) / 2
    claps = (rng.random(n) < density / rate_hz) * rng.uniform(0.2, 1, n)
    length = int(0.02 * rate_hz)
    burst = np.exp(-np.arange(length) / (0.004 * rate_hz))
    strokes = np.convolve(claps, burst)[:n] * rng.normal(size=n)
    band = butter(1, [700, 3500], "bandpass", fs=rate_hz, output="sos")
    return np.asarray(sosfilt(band, strokes), np.float32)


def clipping(rng: np.random.Generator, seconds: float, rate_hz: int) -> Samples:
    """Drive a made-up band 6 to 20 dB into a hard clip, so that lines stand flat at full scale."""
    band = guitar_sustain(rng, seconds, rate_hz) + 1.5 * drums(rng, seconds, rate_hz)
    band = band + sung_vibrato(rng, seconds, rate_hz)
    drive = 10 ** (rng.uniform(6, 20) / 20) / max(1e-9, float(np.abs(band).max()))
    return np.clip(band * drive, -1, 1).astype(np.float32)


def noise(rng: np.random.Generator, seconds: float, rate_hz: int) -> Samples:
    """White and pink noise by turns, switched and faded."""

    def burst(r: np.random.Generator, n: int, f: int) -> Track:
        made = r.normal(size=n) if r.random() < 0.5 else pink(r, n)
        return np.asarray(made * envelope(n, f, r.choice([0.001, 2.0]), r.choice([0.001, 1.0])))

    return notes(rng, seconds, rate_hz, burst, (2, 12), (0.0, 1.0))
