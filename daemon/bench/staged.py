"""Howl-free sound from the virtual stage's own singers, talkers and band.

A show on the virtual stage must be as free of false alarms as a recording: what its performers
do without any loop belongs to the bench's nuisances.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.stage import band
from prehowl.daemon.stage.voices import Voice, spoken_phrase, sung_phrase

Samples = NDArray[np.float32]
Track = NDArray[np.float64]


def _until_full(seconds: float, rate_hz: int, part: Callable[[], Track]) -> Samples:
    wanted = int(seconds * rate_hz)
    parts: list[Track] = []
    while sum(len(sound) for sound in parts) < wanted:
        parts.append(part())
    return np.concatenate(parts)[:wanted].astype(np.float32)


def voices(rng: np.random.Generator, seconds: float, rate_hz: int) -> Samples:
    """Sing and talk by turns, as one performer."""
    voice = Voice(
        lowest_hz=float(rng.uniform(85, 260)),
        size=float(rng.uniform(0.97, 1.18)),
        breath=float(rng.uniform(0.02, 0.12)),
        vibrato_cents=float(rng.uniform(10, 70)),
    )
    beat_s = float(rng.uniform(0.43, 0.72))

    def phrase() -> Track:
        if rng.random() < 0.75:
            return np.asarray(sung_phrase(voice, rng, rate_hz, beat_s))
        return np.asarray(spoken_phrase(voice, rng, rate_hz))

    return _until_full(seconds, rate_hz, phrase)


def whole_band(rng: np.random.Generator, seconds: float, rate_hz: int) -> Samples:
    """Play drums, bass, plucked chords and a pad together, each sometimes missing."""
    song = band.some_song(rng)
    levels = rng.uniform(0.2, 1.0, 4) * (rng.random(4) < 0.8)
    count = 0

    def bar() -> Track:
        nonlocal count
        tracks = (
            band.drum_bar(song, rng, rate_hz),
            band.bass_bar(song, count, rng, rate_hz),
            band.pluck_bar(song, count, rng, rate_hz),
            band.pad_bar(song, count, rng, rate_hz),
        )
        count += 1
        together = np.zeros(max(len(track) for track in tracks))
        for level, track in zip(levels, tracks, strict=True):
            together[: len(track)] += level * track
        return together

    return _until_full(seconds, rate_hz, bar)
