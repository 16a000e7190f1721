"""Steady lines that swell, fade into one another or tremble, and are no howl.

Every family here can be told from a howl by one microphone, at least in principle; each docstring
says by what. Those that cannot are in `indistinct`. All figures are common practice, no source.
"""

import numpy as np

from prehowl.daemon.bench.nuisance.shapes import (
    Samples,
    Track,
    envelope,
    harmonics,
    notes,
    pink,
    pitch,
    straight_swell,
    wander,
)


def tremolo(rng: np.random.Generator, seconds: float, rate_hz: int) -> Samples:
    """Stand a tone with slow tremolo in pink noise.

    The pattern is 0.05 (1 + 0.5 sin 2 pi 0.3 t) of a 1 kHz sine over pink noise of -43 dBFS; here
    with random frequency, depth, rate and noise. Told from a howl by its rise: at most 15 dB,
    never straight, and always followed by the fall.
    """
    out = np.asarray(pink(rng, int(seconds * rate_hz)) * 10 ** (rng.uniform(-23, -3) / 20) * 0.05)
    time_s = np.arange(len(out)) / rate_hz
    for _ in range(rng.integers(1, 3)):
        hz, per_s = float(np.exp(rng.uniform(np.log(200), np.log(6000)))), rng.uniform(0.1, 1.5)
        swing = rng.uniform(0.2, 0.7) * np.sin(2 * np.pi * (per_s * time_s + rng.random()))
        out = out + 0.05 * (1 + swing) * np.sin(2 * np.pi * hz * time_s)
    return out.astype(np.float32)


def _stepped_note(rng: np.random.Generator, n: int, rate_hz: int) -> Track:
    count = int(rng.integers(5, 10))
    weights = np.asarray(10 ** (-6.0 * np.arange(count) / 20))
    body = harmonics(np.full(n, rng.uniform(80, 900)), weights, rate_hz)
    swell = straight_swell(n, rate_hz, rng.uniform(5, 15), rng.uniform(10, 40))
    return np.asarray(body * swell * envelope(n, rate_hz, 0.05, 0.3))


def harmonic_swell(rng: np.random.Generator, seconds: float, rate_hz: int) -> Samples:
    """Swell tones of five to nine harmonics in steps of 6 dB, straight by 5 to 15 dB/s.

    Told from a howl by the harmonics, which stand there from the start and rise with it.
    """
    out = notes(rng, seconds, rate_hz, _stepped_note, (3, 10), (0.0, 1.0))
    return np.asarray(out + 10 ** (rng.uniform(-70, -45) / 20) * pink(rng, len(out)), np.float32)


def crossfade(rng: np.random.Generator, seconds: float, rate_hz: int) -> Samples:
    """Fade pure tones into one another over 0.2 to 3 s, in amplitude or in power.

    Told from a howl by the shape: such a rise is steepest, in dB, at its start and flattens, where
    a howl's is straight until something limits it; the tone before falls meanwhile. Where noise
    hides the start of the fade little of that is left to see.
    """
    out = np.zeros(int(seconds * rate_hz))
    at, fade = 0, int(rng.uniform(0.2, 3.0) * rate_hz)
    power = 0.5 if rng.random() < 0.5 else 1.0
    while at < len(out):
        n = min(len(out) - at, fade + int(rng.uniform(0.3, 5) * rate_hz) + fade)
        if n < 64:
            break
        rise = np.clip(np.arange(n) / fade, 0, 1) ** power
        fall = np.clip((n - np.arange(n)) / fade, 0, 1) ** power
        tone = np.sin(2 * np.pi * pitch(rng, 130, 4200) * np.arange(n) / rate_hz)
        out[at : at + n] += 10 ** (rng.uniform(-8, 0) / 20) * rise * fall * tone
        at += max(1, n - fade)
        fade = int(rng.uniform(0.2, 3.0) * rate_hz)
    return np.asarray(out + 10 ** (rng.uniform(-75, -45) / 20) * pink(rng, len(out)), np.float32)


def _pedalled_note(rng: np.random.Generator, n: int, rate_hz: int) -> Track:
    seconds = np.arange(n) / rate_hz
    tilt = np.asarray(np.arange(1, 11) ** -rng.uniform(0.8, 2.0), np.float64)
    string = harmonics(
        pitch(rng, 110, 990) * wander(n, rate_hz, rng.uniform(0.3, 3), rng), tilt, rate_hz
    )
    opening = np.clip(seconds / rng.uniform(0.4, 3.0), 0, 1) ** rng.uniform(1, 4)
    return np.asarray(
        string
        * opening
        * np.exp(-seconds * rng.uniform(0.1, 0.6))
        * envelope(n, rate_hz, 0.01, 0.2)
    )


def volume_pedal(rng: np.random.Generator, seconds: float, rate_hz: int) -> Samples:
    """Pluck strings unheard and open the volume pedal on their tail.

    Told from a howl by the partials that rise together, and by a rise that flattens in dB.
    """
    return notes(rng, seconds, rate_hz, _pedalled_note, (1.5, 7), (0.0, 0.5))


def _whistled_swell(rng: np.random.Generator, n: int, rate_hz: int) -> Track:
    track = rng.uniform(600, 3000) * wander(n, rate_hz, rng.uniform(5, 20), rng)
    tone = harmonics(track, np.array([1, rng.uniform(0.003, 0.03)]), rate_hz)
    swell = straight_swell(n, rate_hz, rng.uniform(5, 40), rng.uniform(10, 40))
    breath = 0.004 * rng.normal(size=n)
    return np.asarray((tone * swell + breath) * envelope(n, rate_hz, 0.05, 0.1))


def whistle_swell(rng: np.random.Generator, seconds: float, rate_hz: int) -> Samples:
    """Whistle long notes with the mouth that swell straight by 5 to 40 dB/s.

    Told from a howl by the pitch alone, which wanders by 5 to 20 cents (standard deviation).
    """
    return notes(rng, seconds, rate_hz, _whistled_swell, (2, 7), (0.2, 1.0))


def theremin(rng: np.random.Generator, seconds: float, rate_hz: int) -> Samples:
    """Play a nearly pure tone that never stops: glides, vibrato, a hand that swells it.

    Told from a howl by its pitch, which glides or shakes by 15 to 60 cents.
    """
    n = int(seconds * rate_hz)
    time_s = np.arange(n) / rate_hz
    count = max(4, int(seconds / rng.uniform(1.5, 4)))
    stations = np.log2([pitch(rng, 150, 1500) for _ in range(count)])
    # Held between the stations for most of the time, then a glide.
    path = np.interp(np.linspace(0, 2 * count - 1, n), np.arange(2 * count), np.repeat(stations, 2))
    shake = rng.uniform(15, 60) / 1200 * np.sin(2 * np.pi * rng.uniform(4.5, 6.5) * time_s)
    tone = harmonics(2 ** (path + shake), np.array([1, rng.uniform(0.003, 0.1), 0.01]), rate_hz)
    knots = rng.uniform(-40, 0, max(4, int(seconds / 1.5)))
    hand = np.interp(np.linspace(0, len(knots) - 1, n), np.arange(len(knots)), knots)
    return np.asarray(tone * 10 ** (hand / 20) + 1e-4 * rng.normal(size=n), np.float32)


def fader_hum(rng: np.random.Generator, seconds: float, rate_hz: int) -> Samples:
    """Open a fader, straight in dB, on a channel that hums: mains lines and hiss grow together.

    Told from a howl by the many lines, and by the noise between them that rises as they do.
    """

    def opening(r: np.random.Generator, n: int, f: int) -> Track:
        mains = float(r.choice([50.0, 60.0])) + r.normal(0, 0.02)
        weights = r.uniform(0.2, 1, 12) / np.arange(1, 13) ** r.uniform(0, 1)
        hiss = 10 ** (r.uniform(-50, -25) / 20) * pink(r, n)
        sound = harmonics(mains * wander(n, f, 0.3, r), weights, f) + hiss
        rise = straight_swell(n, f, r.uniform(5, 60), r.uniform(20, 60))
        return np.asarray(sound * rise * envelope(n, f, 0.01, 0.3))

    out = notes(rng, seconds, rate_hz, opening, (3, 12), (0.1, 1.5))
    return np.asarray(out + 1e-3 * pink(rng, len(out)), np.float32)
