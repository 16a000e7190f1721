"""Invented singers and talkers: a glottal pulse, noise, and formants.

Owns the voice's own sound, phrase by phrase; seeded, from no recording. Source and filter after
the usual acoustic theory of speech (Fant); the pulse is Rosenberg's polynomial (1971; from
memory), vowel formants are of the order of Peterson & Barney's 1952 averages (from memory).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from prehowl.daemon.stage.filters import apply, band_pass, high_pass

Real = NDArray[np.float64]

VOWELS_HZ = {
    "a": (730.0, 1090.0, 2440.0),
    "e": (530.0, 1840.0, 2480.0),
    "i": (270.0, 2290.0, 3010.0),
    "o": (570.0, 840.0, 2410.0),
    "u": (300.0, 870.0, 2240.0),
}
BANDWIDTHS_HZ = (80.0, 100.0, 140.0, 250.0, 350.0)
UPPER_FORMANTS_HZ = (3300.0, 4200.0)
OPEN_SHARE = 0.6
"""Part of each period in which the folds are open."""
BRIGHTNESS = 0.7
"""Share of the source's own highs that passes by the five resonators: a cascade of so few falls off
by 60 dB an octave above the last, where a throat has further resonances."""
PENTATONIC = (0, 2, 4, 7, 9, 12, 14, 16)
"""Scale steps in semitones from which melodies are drawn."""


@dataclass(frozen=True, slots=True)
class Voice:
    """Who sings or talks."""

    lowest_hz: float  # of the singing range; speech lies around it
    size: float = 1.0  # all formants are multiplied by it: 1 a long throat, 1.17 a short one
    breath: float = 0.05  # share of noise in the source
    vibrato_cents: float = 40.0


def sung_phrase(voice: Voice, rng: np.random.Generator, rate_hz: float, beat_s: float) -> Real:
    """Return one sung phrase of 3 to 8 notes and the rest after it, RMS of the notes about 0.1.

    Notes last one half to three beats, glide into each other and take on vibrato when held.
    """
    notes = int(rng.integers(3, 9))
    beats = rng.choice([0.5, 1.0, 1.0, 1.5, 2.0, 3.0], notes)
    steps = np.cumsum(rng.choice([-2, -1, -1, 0, 1, 1, 2], notes)) + 3
    semitones = np.array(PENTATONIC, float)[np.clip(steps, 0, len(PENTATONIC) - 1)]
    ends = np.cumsum(beats * beat_s * rate_hz).astype(int)
    index = np.searchsorted(ends, np.arange(ends[-1]), side="right")
    since_s = (np.arange(ends[-1]) - np.concatenate(([0], ends[:-1]))[index]) / rate_hz
    pitch = _smoothed(semitones[index], 0.03, rate_hz)
    pitch += _vibrato(voice, rng, since_s, rate_hz) / 100
    frequency = voice.lowest_hz * 2 ** (pitch / 12)
    accents = rng.uniform(0.6, 1.0, notes)
    loudness = accents[index] * np.minimum(since_s / 0.04, 1.0) * np.exp(-0.25 * since_s)
    vowels = rng.choice(list(VOWELS_HZ), notes)
    sound = _spoken_sound(voice, frequency, loudness, vowels[index], rng, rate_hz)
    return _with_rest(sound, float(rng.uniform(0.5, 3.0)) * beat_s, rate_hz)


def spoken_phrase(voice: Voice, rng: np.random.Generator, rate_hz: float) -> Real:
    """Return one spoken phrase of 5 to 14 syllables and the pause after it, RMS about 0.1.

    Syllables come at some 4 to 6 a second, many with a hiss or a stop in front; pitch falls over
    the phrase and moves with every syllable.
    """
    syllables = int(rng.integers(5, 15))
    lengths = (rng.uniform(0.13, 0.28, syllables) * rate_hz).astype(int)
    ends = np.cumsum(lengths)
    index = np.searchsorted(ends, np.arange(ends[-1]), side="right")
    into = (np.arange(ends[-1]) - np.concatenate(([0], ends[:-1]))[index]) / lengths[index]
    fall = np.linspace(3.0, -3.0, ends[-1])
    tune = _smoothed(rng.uniform(-2.5, 2.5, syllables)[index], 0.06, rate_hz)
    frequency = voice.lowest_hz * 2 ** ((fall + tune) / 12)
    onset = rng.choice([0.0, 0.15, 0.3], syllables)[index]  # share of the syllable before the vowel
    loudness = np.clip((into - onset) / 0.15, 0, 1) * np.clip((1 - into) / 0.3, 0, 1)
    loudness *= rng.uniform(0.4, 1.0, syllables)[index]
    vowels = rng.choice(list(VOWELS_HZ), syllables)
    sound = _spoken_sound(voice, frequency, loudness, vowels[index], rng, rate_hz)
    hiss = (onset > 0.2) & (into < onset)
    sound += 0.05 * _smoothed(hiss.astype(float), 0.008, rate_hz) * _hiss(sound.size, rng, rate_hz)
    return _with_rest(sound, float(rng.uniform(0.2, 1.2)), rate_hz)


def _spoken_sound(
    voice: Voice,
    frequency_hz: Real,
    loudness: Real,
    vowel: NDArray[np.str_],
    rng: np.random.Generator,
    rate_hz: float,
) -> Real:
    """Return source through vowel formants, vowels cross-faded, RMS where loud about 0.1."""
    envelope = _smoothed(loudness, 0.012, rate_hz)
    jitter = _smoothed(rng.standard_normal(frequency_hz.size), 0.01, rate_hz) * 0.06
    phase = np.cumsum(frequency_hz * (1 + jitter) / rate_hz)
    source = envelope * (_pulses(phase) + voice.breath * rng.standard_normal(phase.size))
    sound = BRIGHTNESS * apply(high_pass(3000.0, 0.7, rate_hz)[None], source)
    for name in sorted(set(vowel)):
        weight = _smoothed((vowel == name).astype(float), 0.025, rate_hz)
        sound += weight * _formants(source, VOWELS_HZ[name], voice.size, rate_hz)
    loud = sound[envelope > 0.3 * envelope.max()]
    return sound * (0.1 / max(float(np.sqrt(np.mean(loud**2))), 1e-9))


def _pulses(phase: Real) -> Real:
    """Return the derivative of Rosenberg's glottal flow 3u^2 - 2u^3 rise, cosine-like fall."""
    turn = phase % 1.0
    rise, fall = 0.67 * OPEN_SHARE, OPEN_SHARE
    u = turn / rise
    v = (turn - rise) / (fall - rise)
    opening = 6 * u * (1 - u) / rise
    closing = -2 * v / (fall - rise)
    return np.where(turn < rise, opening, np.where(turn < fall, closing, 0.0)) / 4


def _formants(source: Real, vowel_hz: tuple[float, ...], size: float, rate_hz: float) -> Real:
    """Filter through five two-pole resonators in cascade, each with a gain of one at 0 Hz."""
    sound = source
    centres = [hertz * size for hertz in (*vowel_hz, *UPPER_FORMANTS_HZ)]
    for centre, bandwidth in zip(centres, BANDWIDTHS_HZ, strict=True):
        radius = np.exp(-np.pi * bandwidth / rate_hz)
        a1, a2 = -2 * radius * np.cos(2 * np.pi * centre / rate_hz), radius**2
        sound = lfilter([1 + a1 + a2], [1, a1, a2], sound)
    return np.asarray(sound)


def _vibrato(voice: Voice, rng: np.random.Generator, since_s: Real, rate_hz: float) -> Real:
    """Return cents: 5 to 6.5 Hz, growing over the first half second of a note, plus a drift."""
    speed = rng.uniform(5.0, 6.5) * (1 + 0.1 * _drift(since_s.size, rng, rate_hz))
    depth = voice.vibrato_cents * np.clip((since_s - 0.15) / 0.4, 0, 1)
    swing = np.sin(2 * np.pi * np.cumsum(speed) / rate_hz)
    return np.asarray(depth * swing + 12 * _drift(since_s.size, rng, rate_hz))


def _drift(samples: int, rng: np.random.Generator, rate_hz: float) -> Real:
    """Return a slow random wander of about unit size: new values 5 times a second, joined up."""
    points = rng.standard_normal(int(samples / rate_hz * 5) + 3)
    return np.interp(np.arange(samples) / rate_hz * 5, np.arange(points.size), points)


def _hiss(samples: int, rng: np.random.Generator, rate_hz: float) -> Real:
    sections = np.array([high_pass(3500.0, 0.7, rate_hz), band_pass(6000.0, 0.7, rate_hz)])
    return apply(sections, rng.standard_normal(samples)) * 2


def _smoothed(samples: Real, time_s: float, rate_hz: float) -> Real:
    """Apply a first-order low pass twice, starting from the first value: no corner, no step."""
    keep = np.exp(-1 / (time_s / 2 * rate_hz))
    for _ in range(2):
        samples = lfilter([1 - keep], [1, -keep], samples, zi=[keep * samples[0]])[0]
    return samples


def _with_rest(sound: Real, rest_s: float, rate_hz: float) -> Real:
    fade = int(0.05 * rate_hz)
    sound = sound.copy()
    sound[-fade:] *= np.linspace(1, 0, fade) ** 2
    sound[: fade // 5] *= np.linspace(0, 1, fade // 5)
    return np.concatenate((sound, np.zeros(int(rest_s * rate_hz))))
