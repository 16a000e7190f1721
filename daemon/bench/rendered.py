"""Howl-free sound made by programs of the machine: small pieces for a synthesiser, spoken texts.

The pieces are our own, written as MIDI bytes, played by fluidsynth with a General MIDI sound font;
the texts are our own, spoken by espeak-ng. Both programs write into a temporary folder.
"""

import shutil
import subprocess
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.bench.recorded import read_stretch

Samples = NDArray[np.float32]

SOUND_FONTS = (
    "/usr/share/sounds/sf2/TimGM6mb.sf2",
    "/usr/share/sounds/sf2/FluidR3_GM.sf2",
    "/usr/share/sounds/sf2/default-GM.sf2",
)
PROGRAMS = {
    "sampled-organ": (16, 18, 19, 20),
    "sampled-strings": (40, 42, 48, 50),
    "sampled-winds": (73, 75, 71, 56, 79),
    "sampled-plucked": (24, 25, 27, 29, 46),
    "sampled-piano": (0, 2, 4, 6),
    "sampled-choir": (52, 53, 54),
    "sampled-pads": (88, 89, 91, 94),
    "sampled-bells": (9, 11, 12, 14),
}
"""Family name to General MIDI program numbers from 0."""
CRESCENDO_PROGRAMS = (41, 43, 49, 51)
"""Strings that no other family plays: viola, contrabass, slow ensemble, synthesised ensemble."""

SENTENCES = (
    "Good evening, this is the second act on the lower meadow tonight.",
    "Can I have a little more of my own voice in the left wedge, please?",
    "One, two, two, one two, check, hey, yes, that is better.",
    "We walked along the river until the lamps came on, and nobody spoke.",
    "The ferry leaves at seven; bring a coat, the wind is sharp out there.",
    "Sixteen small drums and one enormous tuba will not fit into that van.",
    "Mind the cable by the riser, it is the only one we have left.",
    "Thank you, thank you all, this next song is about a lighthouse.",
)
VOICES = ("en-gb", "en-us+f3", "en-gb-scotland+m3", "en-us+f2", "de+m2", "fr+f4", "es+m5", "it+f1")


def sound_font() -> str | None:
    """Return the first General MIDI sound font found here."""
    return next((path for path in SOUND_FONTS if Path(path).is_file()), None)


def can_play() -> bool:
    """Tell whether fluidsynth and a sound font are here."""
    return shutil.which("fluidsynth") is not None and sound_font() is not None


def can_speak() -> bool:
    """Tell whether espeak-ng is here."""
    return shutil.which("espeak-ng") is not None


def variable_length(number: int) -> bytes:
    """Encode a whole number >= 0 as a MIDI variable-length quantity (Standard MIDI Files 1.0)."""
    out = [number & 0x7F]
    while number := number >> 7:
        out.append(0x80 | (number & 0x7F))
    return bytes(reversed(out))


def midi_file(events: list[tuple[int, bytes]]) -> bytes:
    """Lay out a format 0 file of 1000 ticks a second from (tick, message) pairs.

    500 ticks a quarter note at the default tempo of 120 a minute make a tick a millisecond.
    """
    track, last = bytearray(), 0
    for tick, message in sorted(events):
        track += variable_length(tick - last) + message
        last = tick
    track += b"\x00\xff\x2f\x00"
    head = b"MThd\x00\x00\x00\x06\x00\x00\x00\x01" + (500).to_bytes(2, "big")
    return head + b"MTrk" + len(track).to_bytes(4, "big") + bytes(track)


def tune(rng: np.random.Generator, program: int, seconds: float) -> bytes:
    """Write a small piece: chords over a walking root, a melody above, a swell now and then."""
    events = [(0, bytes((0xC0, program))), (0, b"\xb0\x5b\x28")]
    at, root = 0, int(rng.integers(43, 58))
    while at < seconds * 1000:
        length = int(rng.choice([500, 1000, 2000, 4000]))
        chord = root + rng.choice([[0, 4, 7], [0, 3, 7], [0, 5, 7], [0, 7, 12]])
        for key in chord:
            events += _held(int(key), int(rng.integers(50, 110)), at, length)
        step = int(length / rng.choice([1, 2, 4]))
        for start in range(at, at + length, step):
            key = int(root + rng.choice([12, 14, 16, 19, 21, 24]))
            events += _held(key, int(rng.integers(60, 120)), start, step)
        if length == 4000:
            events += [(at + k * 40, bytes((0xB0, 11, 27 + k))) for k in range(0, 100, 2)]
        at += length + int(rng.choice([0, 0, 0, 400]))
        root = int(np.clip(root + rng.choice([-7, -5, -2, 2, 5, 7]), 38, 64))
    return midi_file(events)


def crescendo(rng: np.random.Generator, program: int, seconds: float) -> bytes:
    """Write long single notes and octaves that swell by the expression controller (number 11).

    The synthesiser's gain goes with the square of the controller over 127 (40 log10 dB, as the
    General MIDI level 1 recommendation has it, from memory), so a controller that grows by an
    equal factor in equal times swells straight in dB: here by 5 to 25 dB/s, over 15 to 30 dB.
    """
    events = [(0, bytes((0xC0, program))), (0, b"\xb0\x5b\x28")]
    at = 0
    while at < seconds * 1000:
        db_per_s, range_db = rng.uniform(5, 25), rng.uniform(15, 30)
        length = int(1000 * (range_db / db_per_s + rng.uniform(0.2, 1.5)))
        key = int(rng.integers(43, 82))
        for note in (key, key + 12)[: int(rng.integers(1, 3))]:
            events += _held(note, 110, at, length)
        for tick in range(0, length - 20, 20):
            below_db = max(0.0, range_db - db_per_s * tick / 1000)
            events.append((at + tick, bytes((0xB0, 11, round(127 * 10 ** (-below_db / 40))))))
        at += length + int(rng.choice([0, 200, 800]))
    return midi_file(events)


def _held(key: int, velocity: int, at: int, length: int) -> list[tuple[int, bytes]]:
    end = at + max(1, length - 10)
    return [(at, bytes((0x90, key, velocity))), (end, bytes((0x80, key, 64)))]


def play(
    rng: np.random.Generator,
    program: int,
    seconds: float,
    rate_hz: int,
    write: Callable[[np.random.Generator, int, float], bytes] = tune,
) -> Samples:
    """Render a fresh piece for one instrument, as `write` composes it; mono, `seconds` long."""
    font = sound_font()
    if font is None:
        raise FileNotFoundError("no General MIDI sound font; install timgm6mb-soundfont")
    with tempfile.TemporaryDirectory(prefix="prehowl-bench-") as folder:
        score, sound = Path(folder, "tune.mid"), Path(folder, "tune.wav")
        score.write_bytes(write(rng, program, seconds))
        words = ["fluidsynth", "-ni", "-q", "-r", str(rate_hz), "-F", str(sound), font, str(score)]
        subprocess.run(words, check=True, capture_output=True, timeout=120)
        return read_stretch(str(sound), 0.0, seconds, rate_hz, int(rng.integers(2)))


def speak(rng: np.random.Generator, voice: str, seconds: float, rate_hz: int) -> Samples:
    """Speak our sentences in random order, pitch and pace; mono, at most `seconds` long."""
    order = rng.permutation(len(SENTENCES))
    text = " ".join(SENTENCES[k] for k in np.tile(order, 1 + int(seconds / 25)))
    with tempfile.TemporaryDirectory(prefix="prehowl-bench-") as folder:
        sound = Path(folder, "speech.wav")
        pitch, pace = str(rng.integers(20, 80)), str(rng.integers(120, 190))
        words = ["espeak-ng", "-v", voice, "-p", pitch, "-s", pace, "-w", str(sound), text]
        subprocess.run(words, check=True, capture_output=True, timeout=120)
        return read_stretch(str(sound), 0.0, seconds, rate_hz, 0)
