"""Made sounds that look like a howl and are none: the families that tempt a detector.

Every maker takes a seeded generator, a length and a rate, and returns mono float32 samples, not
yet levelled. They exaggerate on purpose: pads without any wander, tones that switch on at full
level, swells that rise straight in decibels. All figures are common practice, no source, except
where a function names one.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, lfilter, sosfilt

from prehowl.daemon.bench import staged

Samples = NDArray[np.float32]
Track = NDArray[np.float64]
Maker = Callable[[np.random.Generator, float, int], Samples]

VOWELS_HZ = (
    (730, 1090, 2440),
    (530, 1840, 2480),
    (270, 2290, 3010),
    (570, 840, 2410),
    (300, 870, 2240),
)
"""First three formants of five vowels, men's means: Peterson and Barney 1952, from memory."""


def harmonics(f0_hz: Track, weights: Track, rate_hz: int) -> Track:
    """Sum sines at whole multiples of a moving fundamental; those above 0.45 rate are left out.

    Parameters
    ----------
    f0_hz : ndarray of float64, shape (samples,)
    weights : ndarray of float64, shape (harmonics,)
        Linear amplitude of each multiple from 1.
    """
    phase = 2 * np.pi * np.cumsum(f0_hz) / rate_hz
    out = np.zeros_like(phase)
    for number, weight in enumerate(weights, start=1):
        if number * float(f0_hz.max()) < 0.45 * rate_hz:
            out += weight * np.sin(number * phase)
    return out


def envelope(n: int, rate_hz: int, attack_s: float, release_s: float) -> Track:
    """Rise and fall as raised cosines; the parts shrink where the note is too short."""
    rise = min(n // 2, max(1, int(attack_s * rate_hz)))
    fall = min(n // 2, max(1, int(release_s * rate_hz)))
    out = np.ones(n)
    out[:rise] = 0.5 - 0.5 * np.cos(np.pi * np.arange(rise) / rise)
    out[n - fall :] = 0.5 + 0.5 * np.cos(np.pi * np.arange(fall) / fall)
    return out


def straight_swell(n: int, rate_hz: int, db_per_s: float, range_db: float) -> Track:
    """Rise straight in decibels from `range_db` below full to full, then hold."""
    seconds = np.arange(n) / rate_hz
    return np.asarray(10 ** (np.minimum(0.0, db_per_s * seconds - range_db) / 20))


def wander(n: int, rate_hz: int, cents: float, rng: np.random.Generator) -> Track:
    """Slow random detuning as a frequency factor with the given standard deviation."""
    knots = np.cumsum(rng.normal(size=max(4, int(n / rate_hz * 8))))
    knots = (knots - knots.mean()) / max(1e-9, float(knots.std()))
    path = np.interp(np.linspace(0, len(knots) - 1, n), np.arange(len(knots)), knots)
    return np.asarray(2 ** (cents * path / 1200))


def pink(rng: np.random.Generator, n: int) -> Track:
    """Make pink noise of unit RMS by a third-order filter (coefficients from memory)."""
    b = [0.049922035, -0.095993537, 0.050612699, -0.004408786]
    a = [1.0, -2.494956002, 2.017265875, -0.522189400]
    noise = lfilter(b, a, rng.normal(size=n))
    return np.asarray(noise / max(1e-12, float(noise.std())))


def notes(
    rng: np.random.Generator,
    seconds: float,
    rate_hz: int,
    note: Callable[[np.random.Generator, int, int], Track],
    span_s: tuple[float, float],
    gap_s: tuple[float, float],
) -> Samples:
    """Put notes of random length and gaps together until the time is full."""
    out = np.zeros(int(seconds * rate_hz))
    at = int(rng.uniform(*gap_s) * rate_hz)
    while at < len(out):
        n = min(len(out) - at, int(rng.uniform(*span_s) * rate_hz))
        if n < 64:
            break
        out[at : at + n] += note(rng, n, rate_hz) * 10 ** (rng.uniform(-10, 0) / 20)
        at += n + int(rng.uniform(*gap_s) * rate_hz)
    return out.astype(np.float32)


def _pitch(rng: np.random.Generator, low_hz: float, high_hz: float) -> float:
    """Draw a note of the equal-tempered scale (A = 440 Hz) between two frequencies."""
    steps = np.round(12 * np.log2(rng.uniform(low_hz, high_hz) / 440))
    return float(440 * 2 ** (steps / 12))


def _vowel_weights(rng: np.random.Generator, f0_hz: float) -> Track:
    number = np.arange(1, 41)
    hz = number * f0_hz
    weights = np.full(40, 0.003)
    for height, formant in zip((1.0, 0.5, 0.2), VOWELS_HZ[rng.integers(5)], strict=True):
        weights += height / (1 + ((hz - formant) / (40 + 0.06 * formant)) ** 2)
    return np.asarray(weights / number**0.5)


def _sung(rng: np.random.Generator, n: int, rate_hz: int, vibrato_cents: float) -> Track:
    f0 = _pitch(rng, 98, 880)
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
    f0 = _pitch(rng, 262, 2093)
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


def _organ_chord(rng: np.random.Generator, n: int, rate_hz: int) -> Track:
    root = _pitch(rng, 65, 520)
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
    root = _pitch(rng, 82, 660)
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
    f0 = _pitch(rng, 110, 990)
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


NUISANCES: dict[str, Maker] = {
    "sung-straight": sung_straight,
    "sung-vibrato": sung_vibrato,
    "flute": flute,
    "whistle": whistle,
    "organ": organ,
    "synth-pad": synth_pad,
    "bells": bells,
    "guitar-sustain": guitar_sustain,
    "drums": drums,
    "hum": hum,
    "line-up": lineup,
    "pilot": pilot,
    "sweeps": sweeps,
    "applause": applause,
    "clipping": clipping,
    "noise": noise,
    "stage-voices": staged.voices,
    "stage-band": staged.whole_band,
}
"""Family name and its maker."""
