"""The catalogue of howl-free sound: pieces with family and split, and excerpts drawn from them.

A *source* (a track, a speaker's reel, an instrument's program, a maker's seed) belongs to one
split only, so that nothing tuned on can be reported on. Splits are dealt out two to `tune`, one to
`check`, one to `final`, in the order of the sources' SHA-256 within their package or family.
"""

import hashlib
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.bench import nuisance, recorded, rendered

Samples = NDArray[np.float32]

SPLITS = ("tune", "check", "final")
DEAL = ("tune", "check", "final", "tune")
EXCERPT_S = 30.0
MIC_NOISE_DBFS = -85.0
"""A microphone channel is never digitally silent."""

GROUP_SHARE = {
    "music": 0.33,
    "speech": 0.19,
    "sampled": 0.14,
    "nuisance": 0.28,
    "indistinct": 0.06,
}
"""How the minutes of a run are shared out."""

APART = "indistinct"
"""The group that one channel cannot tell from howls (`nuisance.indistinct`): in no total."""


class Kind(StrEnum):
    """How a piece comes into being."""

    FILE = "file"
    REEL = "reel"
    PLAYED = "played"
    SPOKEN = "spoken"
    MADE = "made"


@dataclass(frozen=True, slots=True)
class Piece:
    """One howl-free source. `parts` are paths, a program number or a voice, by kind."""

    name: str
    group: str  # music, speech, sampled, nuisance, indistinct
    family: str
    split: str
    kind: Kind
    duration_s: float  # of a made piece: nominal, each excerpt is made anew
    parts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Excerpt:
    """A stretch of a piece at one programme level."""

    piece: Piece
    start_s: float
    seconds: float
    level_dbfs: float  # RMS of the louder half of its seconds
    seed: int

    @property
    def name(self) -> str:
        """Say which stretch of what."""
        return f"{self.piece.name}@{self.start_s:g}"


def seed_of(*words: object) -> int:
    """Turn words into a seed that is the same on every machine."""
    text = "\x1f".join(str(word) for word in words)
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:8], "big")


@lru_cache
def catalogue() -> tuple[Piece, ...]:
    """Return every piece that this machine can offer, in a stable order."""
    return (*_recorded_music(), *_recorded_speech(), *_rendered(), *_made())


def pieces(split: str, families: Iterable[str] = ()) -> tuple[Piece, ...]:
    """Return the pieces of a split, of the named families or groups only if any are named."""
    wanted = set(families)
    return tuple(
        piece
        for piece in catalogue()
        if piece.split == split and (not wanted or {piece.family, piece.group} & wanted)
    )


def _dealt(names: Sequence[str]) -> dict[str, str]:
    ranked = sorted(names, key=lambda name: hashlib.sha256(name.encode()).hexdigest())
    return {name: DEAL[rank % len(DEAL)] for rank, name in enumerate(ranked)}


def _recorded_music() -> list[Piece]:
    found = []
    for package in recorded.MUSIC_PACKAGES:
        long = [
            path
            for path in recorded.package_files(package)
            if recorded.duration_s(path) >= recorded.SHORTEST_MUSIC_S
        ]
        names = {path: f"{package}/{Path(path).stem.replace(' ', '-').lower()}" for path in long}
        splits = _dealt(list(names.values()))
        for path, name in names.items():
            length = recorded.duration_s(path)
            found.append(Piece(name, "music", "music", splits[name], Kind.FILE, length, (path,)))
    return found


def _recorded_speech() -> list[Piece]:
    found = []
    for package in recorded.SPEECH_PACKAGES:
        reels = _reels(package)
        splits = _dealt(list(reels))
        for name, paths in reels.items():
            length = sum(recorded.duration_s(path) + recorded.PAUSE_S for path in paths)
            found.append(Piece(name, "speech", "speech", splits[name], Kind.REEL, length, paths))
    return found


def _reels(package: str) -> dict[str, tuple[str, ...]]:
    """Gather clips by speaker: the language's folder; where there is none, by sixties or singly."""
    clips: dict[str, list[str]] = defaultdict(list)
    for number, path in enumerate(recorded.package_files(package)):
        folders = Path(path).parts
        if package == "klettres-data":
            key = folders[4]
        elif package == "ktuberling-data":
            key = folders[-2]
        else:
            key = f"{number // (60 if package.startswith('asterisk') else 1):02d}"
        clips[f"{package}/{key}"].append(path)
    return {name: tuple(paths) for name, paths in clips.items()}


def _rendered() -> list[Piece]:
    found = []
    if rendered.can_play():
        for family, programs in rendered.PROGRAMS.items():
            splits = _dealt([f"{family}/{program}" for program in programs])
            for program in programs:
                name = f"{family}/{program}"
                part = (str(program),)
                found.append(Piece(name, "sampled", family, splits[name], Kind.PLAYED, 600.0, part))
        family, programs = "string-crescendo", rendered.CRESCENDO_PROGRAMS
        splits = _dealt([f"{family}/{program}" for program in programs])
        for program in programs:
            name, parts = f"{family}/{program}", (str(program), "crescendo")
            found.append(Piece(name, "nuisance", family, splits[name], Kind.PLAYED, 600.0, parts))
    if rendered.can_speak():
        splits = _dealt(rendered.VOICES)
        for voice in rendered.VOICES:
            name = f"speech-made/{voice}"
            part = (voice,)
            found.append(
                Piece(name, "speech", "speech-made", splits[voice], Kind.SPOKEN, 60.0, part)
            )
    return found


def _made() -> list[Piece]:
    return [
        Piece(f"{family}/{split}", group, family, split, Kind.MADE, 36000.0)
        for group, makers in (("nuisance", nuisance.NUISANCES), (APART, nuisance.INDISTINCT))
        for family in makers
        for split in SPLITS
    ]


def plan(
    split: str,
    minutes: float,
    seed: int,
    families: Iterable[str] = (),
    excerpt_s: float = EXCERPT_S,
) -> list[Excerpt]:
    """Draw excerpts of a split without overlap, shared out over groups and families.

    Parameters
    ----------
    split : {"tune", "check", "final"}
    minutes : float
        How much howl-free sound in all; each family gets one excerpt at least, and a family that
        runs out of sound gives what it has.
    seed : int
        Another seed draws other stretches, levels and made notes, of the same sources.
    families : iterable of str
        Families or groups to keep to.
    """
    rng = np.random.default_rng(seed_of("plan", split, seed))
    by_family: dict[tuple[str, str], list[Piece]] = defaultdict(list)
    for piece in pieces(split, families):
        by_family[piece.group, piece.family].append(piece)
    groups = {group for group, _ in by_family}
    total = sum(GROUP_SHARE[group] for group in groups)
    chosen: list[Excerpt] = []
    for (group, _), members in by_family.items():
        kin = sum(other == group for other, _ in by_family)
        share = GROUP_SHARE[group] / total / kin
        count = max(1, round(minutes * 60 / excerpt_s * share))
        chosen += _draw(members, count, excerpt_s, rng, seed)
    return chosen


def _draw(
    members: list[Piece], count: int, excerpt_s: float, rng: np.random.Generator, seed: int
) -> list[Excerpt]:
    queues = [_slots(piece, excerpt_s, rng) for piece in members]
    queues = [queues[k] for k in rng.permutation(len(queues))]
    drawn: list[Excerpt] = []
    while len(drawn) < count and any(queues):
        for queue in queues:
            if queue and len(drawn) < count:
                piece, start_s = queue.pop()
                seconds = min(excerpt_s, piece.duration_s - start_s)
                level = float(rng.uniform(-38, -12))
                own = seed_of(seed, piece.name, start_s) % 2**32
                drawn.append(Excerpt(piece, start_s, seconds, level, own))
    return drawn


def _slots(piece: Piece, excerpt_s: float, rng: np.random.Generator) -> list[tuple[Piece, float]]:
    count = max(1, int(piece.duration_s / excerpt_s))
    order = rng.permutation(min(count, 4096))
    return [(piece, float(k * excerpt_s)) for k in order]


def render(excerpt: Excerpt, rate_hz: int) -> Samples:
    """Return the excerpt's samples: mono, exactly its length, at its level, never clipped by us.

    Returns
    -------
    ndarray of float32, shape (samples,)
        Peaks stay below -0.2 dBFS; the level is lower than asked where they would not.
    """
    rng = np.random.default_rng(excerpt.seed)
    n = int(excerpt.seconds * rate_hz)
    raw = _raw(excerpt, rng, rate_hz)[:n]
    levelled = set_level(np.pad(raw, (0, n - len(raw))), excerpt.level_dbfs, rate_hz)
    hiss = rng.normal(scale=10 ** (MIC_NOISE_DBFS / 20), size=n)
    return np.asarray(levelled + hiss, np.float32)


def _raw(excerpt: Excerpt, rng: np.random.Generator, rate_hz: int) -> Samples:
    piece, seconds = excerpt.piece, excerpt.seconds
    if piece.kind is Kind.FILE:
        side = seed_of(piece.name) % 3
        return recorded.read_stretch(piece.parts[0], excerpt.start_s, seconds, rate_hz, side)
    if piece.kind is Kind.REEL:
        return recorded.read_reel(piece.parts, excerpt.start_s, seconds, rate_hz)
    if piece.kind is Kind.PLAYED:
        write = rendered.crescendo if len(piece.parts) > 1 else rendered.tune
        return rendered.play(rng, int(piece.parts[0]), seconds, rate_hz, write)
    if piece.kind is Kind.SPOKEN:
        return rendered.speak(rng, piece.parts[0], seconds, rate_hz)
    return nuisance.MAKERS[piece.family](rng, seconds, rate_hz)


def set_level(samples: Samples, level_dbfs: float, rate_hz: int) -> Samples:
    """Scale so that the louder half of the seconds has the given RMS, where peaks allow it.

    Level is against a full-scale sine = 0 dBFS, as everywhere in the project.
    """
    seconds = [s for s in np.array_split(samples, max(1, len(samples) // rate_hz)) if len(s)]
    rms = np.sort([float(np.sqrt(np.mean(np.square(s, dtype=np.float64)))) for s in seconds])
    loud = float(rms[len(rms) // 2 :].mean()) if len(rms) else 0.0
    if loud < 1e-7:
        return samples
    gain = 10 ** (level_dbfs / 20) / np.sqrt(2) / loud
    gain = min(gain, 0.97 / float(np.abs(samples).max()))
    return np.asarray(samples * np.float32(gain), np.float32)
