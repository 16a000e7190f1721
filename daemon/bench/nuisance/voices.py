"""Sung vowels, flutes and whistles: howl-free lines that somebody breathes."""

import numpy as np

from prehowl.daemon.bench.nuisance.shapes import (
    Samples,
    Track,
    envelope,
    harmonics,
    notes,
    pink,
    pitch,
    wander,
)

VOWELS_HZ = (
    (730, 1090, 2440),
    (530, 1840, 2480),
    (270, 2290, 3010),
    (570, 840, 2410),
    (300, 870, 2240),
)
"""First three formants of five vowels, men's means: Peterson and Barney 1952, from memory."""


def _vowel_weights(rng: np.random.Generator, f0_hz: float) -> Track:
    number = np.arange(1, 41)
    hz = number * f0_hz
    weights = np.full(40, 0.003)
    for height, formant in zip((1.0, 0.5, 0.2), VOWELS_HZ[rng.integers(5)], strict=True):
        weights += height / (1 + ((hz - formant) / (40 + 0.06 * formant)) ** 2)
    return np.asarray(weights / number**0.5)


def _sung(rng: np.random.Generator, n: int, rate_hz: int, vibrato_cents: float) -> Track:
    f0 = pitch(rng, 98, 880)
    seconds = np.arange(n) / rate_hz
    shake = 2 ** (vibrato_cents * np.sin(2 * np.pi * rng.uniform(4.8, 6.6) * seconds) / 1200)
    track = f0 * shake * wander(n, rate_hz, rng.uniform(2, 12), rng)
    voice = harmonics(track, _vowel_weights(rng, f0), rate_hz)
    breath = 0.003 * rng.normal(size=n)
    return np.asarray((voice + breath) * envelope(n, rate_hz, rng.uniform(0.05, 1.2), 0.15))


def sung_straight(rng: np.random.Generator, seconds: float, rate_hz: int) -> Samples:
    """Sing vowels without vibrato: the steadiest that a voice can be."""
    return notes(rng, seconds, rate_hz, lambda r, n, f: _sung(r, n, f, 0.0), (0.8, 5), (0.1, 0.6))


def sung_vibrato(rng: np.random.Generator, seconds: float, rate_hz: int) -> Samples:
    """Sing vowels with 20 to 90 cents of vibrato."""
    return notes(
        rng,
        seconds,
        rate_hz,
        lambda r, n, f: _sung(r, n, f, r.uniform(20, 90)),
        (0.8, 5),
        (0.1, 0.6),
    )


def _flute_note(rng: np.random.Generator, n: int, rate_hz: int) -> Track:
    f0 = pitch(rng, 262, 2093)
    weights = np.array([1, rng.uniform(0.02, 0.5), rng.uniform(0.01, 0.2), 0.03, 0.01])
    body = harmonics(f0 * wander(n, rate_hz, rng.uniform(1, 6), rng), weights, rate_hz)
    body = body + 0.01 * pink(rng, n)
    return np.asarray(body * envelope(n, rate_hz, rng.uniform(0.03, 0.5), 0.1))


def flute(rng: np.random.Generator, seconds: float, rate_hz: int) -> Samples:
    """Blow long notes: few harmonics, small wander, some breath."""
    return notes(rng, seconds, rate_hz, _flute_note, (0.4, 4), (0.05, 0.5))


def _whistle_note(rng: np.random.Generator, n: int, rate_hz: int) -> Track:
    start, end = rng.uniform(700, 3500, 2)
    held = rng.random() < 0.6
    glide = np.full(n, start) if held else np.geomspace(start, end, n)
    tone = harmonics(
        glide * wander(n, rate_hz, rng.uniform(3, 15), rng), np.array([1, 0.01]), rate_hz
    )
    tone = tone + 0.003 * rng.normal(size=n)
    return np.asarray(tone * envelope(n, rate_hz, rng.uniform(0.02, 0.3), 0.05))


def whistle(rng: np.random.Generator, seconds: float, rate_hz: int) -> Samples:
    """Whistle with the mouth: almost pure, held or gliding."""
    return notes(rng, seconds, rate_hz, _whistle_note, (0.2, 2.5), (0.1, 1.0))
