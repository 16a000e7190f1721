"""Organs, pads, bells, held strings and drums, exaggerated on purpose."""

import numpy as np

from prehowl.daemon.bench.nuisance.shapes import (
    Samples,
    Track,
    envelope,
    harmonics,
    notes,
    pitch,
    straight_swell,
    wander,
)


def _organ_chord(rng: np.random.Generator, n: int, rate_hz: int) -> Track:
    root = pitch(rng, 65, 520)
    out = np.zeros(n)
    for ratio in 2 ** (np.array([0, rng.choice([3, 4]), 7, 12]) / 12):
        stops = rng.random(8) * np.array([1, 1, 0.6, 0.7, 0.2, 0.3, 0.1, 0.3])
        out += harmonics(np.full(n, root * ratio), stops, rate_hz)
    swell = straight_swell(n, rate_hz, rng.uniform(3, 60), rng.uniform(0, 40))
    return np.asarray(out * swell * envelope(n, rate_hz, 0.05, 0.2))


def organ(rng: np.random.Generator, seconds: float, rate_hz: int) -> Samples:
    """Hold organ chords: perfectly steady lines, the swell pedal rising straight in dB."""
    return notes(rng, seconds, rate_hz, _organ_chord, (2, 9), (0.0, 0.4))


def _pad_chord(rng: np.random.Generator, n: int, rate_hz: int) -> Track:
    root = pitch(rng, 82, 660)
    out = np.zeros(n)
    for ratio in 2 ** (rng.choice([0, 2, 3, 4, 7, 9, 12], 3, replace=False) / 12):
        for cents in (-rng.uniform(0, 8), rng.uniform(0, 8)):
            tilt = np.asarray(np.arange(1, 25) ** -rng.uniform(1.0, 2.5), np.float64)
            out += harmonics(np.full(n, root * ratio * 2 ** (cents / 1200)), tilt, rate_hz)
    swell = straight_swell(n, rate_hz, rng.uniform(3, 40), rng.uniform(10, 50))
    return np.asarray(out * swell * envelope(n, rate_hz, 0.05, 1.0))


def synth_pad(rng: np.random.Generator, seconds: float, rate_hz: int) -> Samples:
    """Hold synthesiser pads: detuned pairs that beat, slow swells."""
    return notes(rng, seconds, rate_hz, _pad_chord, (3, 10), (0.0, 0.5))


def _bell_stroke(rng: np.random.Generator, n: int, rate_hz: int) -> Track:
    # Partials of a tuned church bell: hum, prime, tierce, quint, nominal (from memory).
    seconds = np.arange(n) / rate_hz
    f0 = rng.uniform(200, 1600)
    out = np.zeros(n)
    for ratio in (0.5, 1, 1.2, 1.5, 2, 2.67, 4):
        if f0 * ratio < 0.45 * rate_hz:
            decay = np.exp(-seconds * rng.uniform(0.4, 2.5) * ratio**0.5)
            out += rng.uniform(0.2, 1) * decay * np.sin(2 * np.pi * f0 * ratio * seconds)
    return np.asarray(out * envelope(n, rate_hz, 0.002, 0.05))


def bells(rng: np.random.Generator, seconds: float, rate_hz: int) -> Samples:
    """Strike bells: steady inharmonic lines that only decay."""
    return notes(rng, seconds, rate_hz, _bell_stroke, (1, 8), (0.0, 0.5))


def _held_string(rng: np.random.Generator, n: int, rate_hz: int) -> Track:
    f0 = pitch(rng, 110, 990)
    seconds = np.arange(n) / rate_hz
    tilt = np.asarray(np.arange(1, 13) ** -rng.uniform(0.5, 1.5), np.float64)
    string = harmonics(f0 * wander(n, rate_hz, rng.uniform(0.3, 4), rng), tilt, rate_hz)
    sustain = np.exp(-seconds * rng.uniform(0.1, 0.8)) * envelope(n, rate_hz, 0.004, 0.1)
    return np.tanh(rng.uniform(1, 12) * string * sustain) * envelope(n, rate_hz, 0.004, 0.2)


def guitar_sustain(rng: np.random.Generator, seconds: float, rate_hz: int) -> Samples:
    """Hold overdriven guitar notes: long, level, rich in harmonics from the start."""
    return notes(rng, seconds, rate_hz, _held_string, (1.5, 8), (0.0, 0.4))


def _drum(rng: np.random.Generator, n: int, rate_hz: int) -> Track:
    seconds = np.arange(n) / rate_hz
    f0 = rng.uniform(50, 260)
    drop = f0 * (1 + rng.uniform(0.1, 1.5) * np.exp(-seconds * 30))
    skin = np.sin(2 * np.pi * np.cumsum(drop) / rate_hz) * np.exp(-seconds * rng.uniform(2, 14))
    rattle = rng.normal(size=n) * np.exp(-seconds * rng.uniform(8, 60)) * rng.uniform(0, 0.7)
    return np.asarray((skin + rattle) * envelope(n, rate_hz, 0.001, 0.01))


def drums(rng: np.random.Generator, seconds: float, rate_hz: int) -> Samples:
    """Play toms, kicks and snares with long skins."""
    return notes(rng, seconds, rate_hz, _drum, (0.12, 1.0), (0.0, 0.1))
