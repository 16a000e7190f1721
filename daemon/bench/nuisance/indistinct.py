"""Sound that one microphone cannot tell from a howl, in principle; reported apart.

A loop a little over its limit puts out one line of constant frequency that rises straight in dB
until something stops it. A lone pure tone that somebody swells straight in dB is that very signal:
no single-channel test, ours or another, can part the two, since there is nothing to part. What
helps is a second channel: the same line in a channel that cannot be in an acoustic loop (the
playback, the synthesiser's DI) says that it is music; the bench feeds one beside, too
(`with_reference`).
"""

import numpy as np

from prehowl.daemon.bench.nuisance.shapes import (
    Samples,
    Track,
    envelope,
    harmonics,
    notes,
    pink,
    straight_swell,
)


def _lone_tone(rng: np.random.Generator, n: int, rate_hz: int) -> Track:
    hz = float(np.exp(rng.uniform(np.log(80), np.log(8000))))
    swell = straight_swell(n, rate_hz, rng.uniform(5, 100), rng.uniform(20, 50))
    tone = harmonics(np.full(n, hz), np.array([1.0]), rate_hz)
    return np.asarray(tone * swell * envelope(n, rate_hz, 0.02, 0.3))


def pure_swell(rng: np.random.Generator, seconds: float, rate_hz: int) -> Samples:
    """Swell a lone pure tone straight in dB, 5 to 100 dB/s, over noise.

    Cannot be told from a howl: a synthesiser's sine with an exponential attack *is* the sum of one
    pole and noise, as a ring is.
    """
    out = notes(rng, seconds, rate_hz, _lone_tone, (2, 8), (0.2, 2.0))
    return np.asarray(out + 10 ** (rng.uniform(-65, -35) / 20) * pink(rng, len(out)), np.float32)


def hum_line_swell(rng: np.random.Generator, seconds: float, rate_hz: int) -> Samples:
    """Let one line of hum grow straight in dB under noise that stays.

    Cannot be told from a howl: a ground loop that closes slowly feeds one mains line, without the
    harmonics that would give it away, into a channel whose noise does not rise with it. (A line
    within a few cents of a multiple of the mains frequency is a hint, not a proof: loops ring there
    as well.)
    """

    def growing(r: np.random.Generator, n: int, f: int) -> Track:
        hz = float(r.choice([50.0, 60.0])) * int(r.choice([1, 2, 2, 3]))
        swell = straight_swell(n, f, r.uniform(5, 60), r.uniform(20, 50))
        tone = harmonics(np.full(n, hz), np.array([1.0]), f)
        return np.asarray(tone * swell * envelope(n, f, 0.02, 0.3))

    out = notes(rng, seconds, rate_hz, growing, (3, 10), (0.3, 2.0))
    return np.asarray(out + 10 ** (rng.uniform(-60, -35) / 20) * pink(rng, len(out)), np.float32)


def pure_pad(rng: np.random.Generator, seconds: float, rate_hz: int) -> Samples:
    """Swell chords of two or three pure tones straight in dB, each at a speed of its own.

    Cannot be told from several modes of a loop that pass the limit one after the other.
    """

    def chord(r: np.random.Generator, n: int, f: int) -> Track:
        root = float(np.exp(r.uniform(np.log(130), np.log(1000))))
        steps = r.choice([0, 3, 4, 7, 9, 12, 16], int(r.integers(2, 4)), replace=False)
        out = np.zeros(n)
        for step in steps:
            rise = straight_swell(n, f, r.uniform(5, 60), r.uniform(20, 50))
            out += rise * harmonics(np.full(n, root * 2 ** (step / 12)), np.array([1.0]), f)
        return np.asarray(out * envelope(n, f, 0.02, 0.5))

    out = notes(rng, seconds, rate_hz, chord, (3, 10), (0.2, 1.5))
    return np.asarray(out + 10 ** (rng.uniform(-65, -35) / 20) * pink(rng, len(out)), np.float32)
