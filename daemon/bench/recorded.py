"""Howl-free recordings that come with Debian packages: which files, and how to read a stretch.

Owns the list of packages and the reading; what the pieces are called and which split they belong
to is `material`'s business. A package that is not installed simply has no files here.
"""

import subprocess
from functools import lru_cache
from math import gcd
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy.signal import resample_poly

Samples = NDArray[np.float32]

MUSIC_PACKAGES = (
    "warzone2100-music",  # electronic, ambient, orchestral
    "singularity-music",  # ambient, piano
    "hyperrogue-music",  # folk, chamber, strange tunings
    "neverball-common",  # light pop, organ
    "asc-music",  # rock, 22 kHz
)
SPEECH_PACKAGES = (
    "klettres-data",  # syllables in many languages
    "ktuberling-data",  # words in many languages
    "codec2-examples",  # sentences, some over radio
    "asterisk-core-sounds-en-wav",  # prompts, one voice, 8 kHz
)
SUFFIXES = frozenset((".ogg", ".opus", ".wav", ".flac", ".mp3"))
SHORTEST_MUSIC_S = 40.0
PAUSE_S = 0.25
"""Between the clips of a reel."""


@lru_cache
def package_files(package: str) -> tuple[str, ...]:
    """Return the audio files of an installed package, in order of path; none if it is absent."""
    try:
        told = subprocess.run(["dpkg", "-L", package], capture_output=True, text=True, check=False)
    except FileNotFoundError:  # no Debian here
        return ()
    paths = (line for line in told.stdout.splitlines() if Path(line).suffix.lower() in SUFFIXES)
    return tuple(sorted(path for path in paths if Path(path).is_file()))


@lru_cache(maxsize=8192)
def duration_s(path: str) -> float:
    """Return the length of a file in seconds."""
    info = soundfile.info(path)
    return float(info.frames / info.samplerate)


def read_stretch(path: str, start_s: float, seconds: float, rate_hz: int, side: int) -> Samples:
    """Read one channel of a part of a file at the asked rate.

    Parameters
    ----------
    path : str
    start_s, seconds : float
        What part; shorter if the file ends before.
    rate_hz : int
        Rate of the result; resampled by a linear-phase polyphase filter where the file differs.
    side : int
        0 left, 1 right, 2 the middle; a mono file has but one.

    Returns
    -------
    ndarray of float32, shape (samples,)
    """
    with soundfile.SoundFile(path) as file:
        own_hz = file.samplerate
        file.seek(min(file.frames, int(start_s * own_hz)))
        read = file.read(int(np.ceil(seconds * own_hz)), dtype="float32", always_2d=True)
    mono = read.mean(axis=1) if side == 2 else read[:, min(side, read.shape[1] - 1)]
    if own_hz == rate_hz or not len(mono):
        return np.asarray(mono, np.float32)
    common = gcd(own_hz, rate_hz)
    return np.asarray(resample_poly(mono, rate_hz // common, own_hz // common), np.float32)


def read_reel(paths: tuple[str, ...], start_s: float, seconds: float, rate_hz: int) -> Samples:
    """Read short clips one after the other with pauses, from `start_s` into the reel."""
    parts: list[Samples] = []
    at_s, end_s = 0.0, start_s + seconds
    for path in paths:
        length_s = duration_s(path) + PAUSE_S
        if at_s >= end_s:
            break
        if at_s + length_s > start_s:
            clip = read_stretch(path, 0.0, length_s, rate_hz, 2)
            pause = np.zeros(max(0, int(length_s * rate_hz) - len(clip)), np.float32)
            parts.append(np.concatenate([clip, pause])[int(max(0.0, start_s - at_s) * rate_hz) :])
        at_s += length_s
    joined = np.concatenate(parts) if parts else np.zeros(0, np.float32)
    return joined[: int(seconds * rate_hz)]
