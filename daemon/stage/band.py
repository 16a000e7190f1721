"""An invented band, bar by bar: drums, bass, plucked strings, a pad.

Owns the instruments' sound and their parts; seeded, from no recording. Each function returns one
bar with what rings on after it, to be overlap-added at the next bar.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from prehowl.daemon.stage.filters import apply, band_pass, high_pass

Real = NDArray[np.float64]

STEPS = 16  # sixteenth notes in a bar
CHORDS = ((0, 4, 7), (9, 12, 16), (5, 9, 12), (7, 11, 14), (2, 5, 9), (4, 7, 11))
"""Semitones above the key: I, vi, IV, V, ii, iii of a major key."""


PAD_WAVE = np.sum(
    [np.sin(2 * np.pi * k * np.arange(8192) / 8192) / k**1.5 for k in range(1, 9)], axis=0
)
"""One turn of the pad's oscillator: eight harmonics; so long that no interpolation is needed."""


@dataclass(frozen=True, slots=True)
class Song:
    """What the band agrees on."""

    beat_s: float
    key_hz: float  # of the bass's lowest tonic
    chords: tuple[int, ...]  # one a bar, index into CHORDS
    kick: tuple[int, ...]  # steps
    snare: tuple[int, ...]
    hat_every: int

    @property
    def bar_s(self) -> float:
        """Length of a bar in seconds."""
        return 4 * self.beat_s

    def chord(self, bar: int) -> tuple[int, ...]:
        """Return the chord of a bar in semitones above the key."""
        return CHORDS[self.chords[bar % len(self.chords)]]


def some_song(rng: np.random.Generator) -> Song:
    """Draw a song: 84 to 138 beats a minute, four chords, a plain beat with a twist."""
    twist = tuple(int(step) for step in rng.choice([3, 6, 7, 10, 11, 14], 2, replace=False))
    return Song(
        beat_s=60 / float(rng.uniform(84, 138)),
        key_hz=float(41.2 * 2 ** (rng.integers(0, 12) / 12)),
        chords=(0, *(int(chord) for chord in rng.integers(1, len(CHORDS), 3))),
        kick=(0, 8, *twist),
        snare=(4, 12),
        hat_every=int(rng.choice([1, 2, 2])),
    )


def drum_bar(song: Song, rng: np.random.Generator, rate_hz: float) -> Real:
    """Return a bar of kick, snare and hat, peak about 0.5."""
    bar = _empty(song, rate_hz)
    for step in song.kick:
        _add(bar, 0.5 * _kick(rate_hz), _at(song, step, rng, rate_hz))
    for step in song.snare:
        _add(bar, 0.35 * _snare(rng, rate_hz), _at(song, step, rng, rate_hz))
    for step in range(0, STEPS, song.hat_every):
        accent = 0.12 if step % 4 == 0 else 0.07
        _add(bar, accent * _hat(rng, rate_hz), _at(song, step, rng, rate_hz))
    return bar


def bass_bar(song: Song, bar_number: int, rng: np.random.Generator, rate_hz: float) -> Real:
    """Return a bar of electric bass on the chord's root and fifth, RMS about 0.1."""
    bar = _empty(song, rate_hz)
    root = song.chord(bar_number)[0] % 12
    for step in (*song.kick, 12):
        semitones = root + int(rng.choice([0, 0, 0, 7, 12]))
        note = _plucked(song.key_hz * 2 ** (semitones / 12), 0.9, 9, 1.4, rng, rate_hz)
        _add(bar, 0.3 * note[: int(0.9 * song.beat_s * rate_hz)], _at(song, step, rng, rate_hz))
    return bar


def pluck_bar(song: Song, bar_number: int, rng: np.random.Generator, rate_hz: float) -> Real:
    """Return a bar of picked strings through the chord, RMS about 0.07."""
    bar = _empty(song, rate_hz)
    tones = song.chord(bar_number)
    for step in range(0, STEPS, 2):
        if rng.random() < 0.15:
            continue
        semitones = int(rng.choice(tones)) + 24 + 12 * int(rng.random() < 0.3)
        note = _plucked(song.key_hz * 2 ** (semitones / 12), 1.2, 24, 0.9, rng, rate_hz)
        _add(bar, 0.14 * rng.uniform(0.6, 1) * note, _at(song, step, rng, rate_hz))
    return bar


def pad_bar(song: Song, bar_number: int, rng: np.random.Generator, rate_hz: float) -> Real:
    """Return a bar of a soft synthesiser chord, faded into the next bar's, RMS about 0.05."""
    samples = int((song.bar_s + song.beat_s) * rate_hz)
    sound = np.zeros(samples)
    time_s = np.arange(samples) / rate_hz
    for semitones in song.chord(bar_number):
        hertz = song.key_hz * 2 ** ((semitones + 24) / 12)
        for detune in (-5.0, 0.0, 5.0):  # cents: three oscillators, each with a slow chorus
            depth = 6.0 / 1200 * np.log(2) / (2 * np.pi * rng.uniform(0.4, 0.9))
            chorus = depth * np.cos(time_s * rng.uniform(2.5, 5.5) + rng.uniform(0, 6.28))
            turns = hertz * 2 ** (detune / 1200) * (time_s + chorus) + rng.uniform(0, 1)
            sound += PAD_WAVE[(turns % 1.0 * PAD_WAVE.size).astype(int)]
    fade = int(song.beat_s * rate_hz)
    slope = np.sin(np.linspace(0, np.pi / 2, fade))
    sound[:fade] *= slope
    sound[-fade:] *= slope[::-1]
    return 0.022 * sound


def room_noise(samples: int, rng: np.random.Generator, rate_hz: float) -> Real:
    """Return a crowd from afar: dark noise that swells, RMS about 0.1.

    Two first-order slopes from 250 Hz and 2 kHz stand for many voices at a distance.
    """
    sound = rng.standard_normal(samples + int(rate_hz / 10))
    for corner in (250.0, 2000.0):
        keep = np.exp(-2 * np.pi * corner / rate_hz)
        sound = lfilter([1 - keep], [1, -keep], sound)
    points = rng.uniform(0.6, 1.4, int(samples / rate_hz) + 3)
    swell = np.interp(np.arange(samples) / rate_hz, np.arange(points.size), points)
    return np.asarray(0.9 * swell * sound[-samples:])


def _kick(rate_hz: float) -> Real:
    time_s = np.arange(int(0.35 * rate_hz)) / rate_hz
    phase = np.cumsum(48 + 110 * np.exp(-time_s / 0.03)) / rate_hz
    return np.asarray(np.sin(2 * np.pi * phase) * np.exp(-time_s / 0.09) * _attack(time_s))


def _snare(rng: np.random.Generator, rate_hz: float) -> Real:
    time_s = np.arange(int(0.25 * rate_hz)) / rate_hz
    wires = apply(
        np.array([high_pass(900.0, 0.7, rate_hz), band_pass(3200.0, 0.4, rate_hz)]),
        rng.standard_normal(time_s.size),
    )
    shell = np.sin(2 * np.pi * 187 * time_s) + 0.6 * np.sin(2 * np.pi * 331 * time_s)
    sound = 1.4 * wires * np.exp(-time_s / 0.06) + 0.5 * shell * np.exp(-time_s / 0.04)
    return np.asarray(sound * _attack(time_s))


def _hat(rng: np.random.Generator, rate_hz: float) -> Real:
    time_s = np.arange(int(0.09 * rate_hz)) / rate_hz
    noise = apply(high_pass(7000.0, 0.7, rate_hz)[None], rng.standard_normal(time_s.size))
    return np.asarray(noise * np.exp(-time_s / 0.02) * _attack(time_s))


def _attack(time_s: Real) -> Real:
    opening, closing = time_s / 0.001, (time_s[-1] - time_s) / 0.01
    return np.asarray(np.clip(opening, 0.0, 1.0) * np.clip(closing, 0.0, 1.0))


def _plucked(
    hertz: float,
    length_s: float,
    harmonics: int,
    brightness: float,
    rng: np.random.Generator,
    rate_hz: float,
) -> Real:
    """Return a plucked string: slightly stretched partials, the higher the sooner gone."""
    time_s = np.arange(int(length_s * rate_hz)) / rate_hz
    place = rng.uniform(0.12, 0.3)  # where along the string it is plucked
    strike = np.zeros_like(time_s)
    strike[0] = 1.0
    sound = np.zeros_like(time_s)
    for k in range(1, harmonics + 1):
        partial = k * hertz * np.sqrt(1 + 0.00008 * k * k)
        if partial > 0.4 * rate_hz:
            break
        # A decaying sine is what a two-pole filter answers: ten times quicker than sin and exp.
        angle, phase = 2 * np.pi * partial / rate_hz, rng.uniform(0, 2 * np.pi)
        radius = np.exp(-(1.5 + 0.55 * k) / rate_hz)
        size = np.sin(np.pi * k * place) / k**brightness
        b = [size * np.sin(phase), size * radius * np.sin(angle - phase)]
        sound += lfilter(b, [1, -2 * radius * np.cos(angle), radius**2], strike)
    attack, release = time_s / 0.003, (length_s - time_s) / 0.03
    return np.asarray(sound * np.clip(attack, 0, 1) * np.clip(release, 0, 1))


def _empty(song: Song, rate_hz: float) -> Real:
    return np.zeros(int((song.bar_s + 1.3) * rate_hz))


def _at(song: Song, step: int, rng: np.random.Generator, rate_hz: float) -> int:
    human_s = rng.uniform(0, 0.008)
    return int((step * song.beat_s / 4 + human_s) * rate_hz)


def _add(bar: Real, sound: Real, at: int) -> None:
    room = min(sound.size, bar.size - at)
    bar[at : at + room] += sound[:room]
