"""What is asked about a line that may linger: one figure a question, for the trees of `lingering`.

It is read off the long-term spectra, the line's own past and what lies beside it: the bins around
it, the other lines that are asked, and all the rest of its channel.
"""

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors import harmonics
from prehowl.detectors.longterm import QUIETEST_LINE_DB, TONE_DB, LongTermSpectrum
from prehowl.detectors.memory import SpectrumMemory
from prehowl.detectors.spectrum import NEPERS_OF_POWER, decibels
from prehowl.detectors.steadiness import CENTS_PER_NEPER
from prehowl.detectors.tracks import SAME_PLACE_BINS, Figures, Tracks, looks_back

JUST_S = 1.3
"""A loop at its limit stands so long without a ripple; a held note hardly does."""

BESIDE_BINS = (5, 7, 9)
"""On both sides: what the line stands over just now."""

STANDS_WITHIN_DB, STANDS_SHARE, STANDS_OVER_DB = 4.0, 0.5, 8.0
"""A line stands just now if its level varies by no more, if it is there for so much of the time and
is so far over what lies beside it. Notes stand in company."""

REST_S = 2.0
LEAST_REST = np.float32(1e-3)
"""Of the channel's power: what rounding leaves of a lone line is no rest."""

FALL_DB = 1.0
"""A level lower than a look before by more than this falls."""

NO_PARTIAL_DB = -40.0
PARTIAL_PROMINENCE_DB = 4.0

SIGNALS = {
    "usual": 0,  # prominence in the slow mean: whether it has always stood there
    "relative": 1,
    "loudest": 1,
    "share_lately": 1,
    "share": 1,
    "wander_cents": -1,
    "level_spread": 0,
    "follows": 0,  # how the level goes with the programme's
    "fall": 0,
    "fall_spread": -1,  # a loop's tails all fall alike
    "skirt": -1,
    "phpr": 1,
    "lines": -1,
    "usual_lines": -1,
    "now": 0,
    "slope": 0,
    "lead": 1,  # over the strongest other line
    "partials": -1,
    "frame": 0,
    "alone": 1,  # against the channel where it stands out most, a quarter of the time
    "lowest": 0,  # in its lowest quarter against its mean: what stays and what comes and goes
    "just_spread": -1,  # how its level varies just now
    "just_over": 1,  # what lies beside it, just now
    "just_others": -1,  # lines that are asked with it on its channel, and stand just now
    "rest_spread": 0,  # how the channel's power without it varies: whether anything is played
}
"""What is asked about a line, and its direction, as in `belief`."""


def signals_of(
    tracks: Tracks, fast: LongTermSpectrum, usual: LongTermSpectrum, memory: SpectrumMemory
) -> Figures:
    """Return the figures of some lines, shape (lines, signals), in the order of `SIGNALS`.

    Parameters
    ----------
    tracks : Tracks
        The lines' bins over the slow memory.
    fast, usual : LongTermSpectrum
        What stands on the channels now, and what they are like in the long run.
    memory : SpectrumMemory
        The slow past itself, for what lies beside the lines.
    """
    if not len(tracks.ch):
        return np.zeros((0, len(SIGNALS)), np.float32)
    ch, bins, level, present = tracks.ch, tracks.bin, tracks.level_dbfs, tracks.present
    looks = level.shape[1]
    seen = np.maximum(present.sum(axis=1), 1)
    offset = tracks.position - bins[:, None]
    mean = (present * offset).sum(axis=1) / seen
    off = offset - mean[:, None]
    close = present * (np.abs(off) < SAME_PLACE_BINS)
    wander = np.sqrt((present * off**2).sum(axis=1) / seen)
    height = (present * level).sum(axis=1) / seen
    spread = np.sqrt((present * (level - height[:, None]) ** 2).sum(axis=1) / seen)
    total = decibels(tracks.total_past)
    fall, fall_spread = _falls(level, present, tracks.step_s)
    time = np.arange(looks, dtype=np.float32) - np.float32((looks - 1) / 2)
    foot = fast.level_dbfs
    skirt = np.maximum(foot[ch, bins - 2], foot[ch, bins + 2]) - foot[ch, bins]
    columns = {
        "usual": np.max([usual.prominence_db[ch, bins + k] for k in (-1, 0, 1)], axis=0),
        "relative": fast.relative_db[ch, bins],
        "loudest": level.max(axis=1) - decibels(tracks.total_past.mean(axis=1)),
        "share_lately": close[:, looks // 2 :].mean(axis=1),
        "share": close.mean(axis=1),
        "wander_cents": CENTS_PER_NEPER * wander / (bins + mean),
        "level_spread": spread,
        "follows": _correlation(level, total),
        "fall": fall,
        "fall_spread": fall_spread,
        "skirt": skirt,
        "phpr": harmonics.measure(tracks),
        "lines": fast.lines[ch],
        "usual_lines": usual.lines[ch],
        "now": level[:, -1] - total[:, -1],
        "slope": (level * time).sum(axis=1) / (time * time).sum() / tracks.step_s,
        "lead": fast.relative_db[ch, bins] - _strongest_other(fast, ch, bins),
        "partials": _partials(fast, ch, bins),
        "frame": np.full(len(ch), tracks.frame_s),
        "alone": _of_the_top(level - total, looks // 4),
        "lowest": -_of_the_top(-level, looks // 4) - _mean_level(level),
        **_just_now(tracks, close, memory),
    }
    return np.stack([columns[name] for name in SIGNALS], axis=1).astype(np.float32)


def _just_now(tracks: Tracks, close: Figures, memory: SpectrumMemory) -> dict[str, Figures]:
    """Return the figures of the last second or two, each of shape (lines,).

    `close`, shape (lines, looks), is 1 where a line stood in its place and else 0.
    """
    step_s = float(tracks.step_s[0])
    just = max(4, round(JUST_S / step_s))
    level = tracks.level_dbfs
    spread = level[:, -just:].std(axis=1)
    offsets = np.array([*(-k for k in BESIDE_BINS), *BESIDE_BINS])
    around = np.clip(tracks.bin[:, None] + offsets, 0, memory.bins - 1)
    index = tracks.ch[:, None] * memory.bins + around
    beside = decibels(memory.past(index, looks_back(np.ones(1, np.intp), just)))
    over = level[:, -just:].mean(axis=1) - beside.mean(axis=(1, 2))
    stands = (spread < STANDS_WITHIN_DB) & (over > STANDS_OVER_DB)
    stands &= close[:, -just:].mean(axis=1) >= STANDS_SHARE
    standing = np.bincount(tracks.ch, stands)[tracks.ch]
    own = np.exp((level + TONE_DB) * NEPERS_OF_POWER)
    rest = np.maximum(tracks.total_past - own, LEAST_REST * tracks.total_past)
    lately = max(4, round(REST_S / step_s))
    return {
        "just_spread": spread,
        "just_over": over,
        "just_others": (standing - stands).astype(np.float32),
        "rest_spread": decibels(rest)[:, -lately:].std(axis=1),
    }


def _of_the_top(values: Figures, looks: int) -> Figures:
    """Return the mean of so many of the highest values of each line."""
    return np.asarray(np.partition(values, -looks, axis=1)[:, -looks:].mean(axis=1), np.float32)


def _mean_level(level: Figures) -> Figures:
    """Return the level of the mean power of each line."""
    return decibels(np.exp(level * NEPERS_OF_POWER).mean(axis=1))


def _correlation(a: Figures, b: Figures) -> Figures:
    """Return the correlation of two courses over time, -1..1; 0 where one does not move."""
    a, b = a - a.mean(axis=1, keepdims=True), b - b.mean(axis=1, keepdims=True)
    size = np.sqrt((a * a).sum(axis=1) * (b * b).sum(axis=1))
    return np.asarray((a * b).sum(axis=1) / np.maximum(size, np.float32(1e-6)), np.float32)


def _falls(level: Figures, present: Figures, step_s: Figures) -> tuple[Figures, Figures]:
    """Return mean speed of the falls, dB/s, and their standard deviation as a share of it."""
    change = np.diff(level, axis=1) / step_s[:, None]
    falls = (present[:, 1:] * present[:, :-1] > 0) & (change * step_s[:, None] < -FALL_DB)
    count = np.maximum(falls.sum(axis=1), 1)
    speed = -np.where(falls, change, 0).sum(axis=1) / count
    off = np.where(falls, change + speed[:, None], 0)
    spread = np.sqrt((off * off).sum(axis=1) / count) / np.maximum(speed, 1)
    return speed.astype(np.float32), spread.astype(np.float32)


def _strongest_other(
    fast: LongTermSpectrum, ch: NDArray[np.intp], bins: NDArray[np.intp]
) -> Figures:
    """Return the relative level of the strongest other line of the channel, or a very low one."""
    lines = np.where(fast.is_line, fast.relative_db, np.float32(QUIETEST_LINE_DB))
    from_left = np.maximum.accumulate(lines, axis=1)
    from_right = np.maximum.accumulate(lines[:, ::-1], axis=1)[:, ::-1]
    away = np.maximum(4, np.rint(0.03 * bins)).astype(np.intp)
    left = np.maximum(bins - away, 0)
    right = np.minimum(bins + away, lines.shape[1] - 1)
    return np.asarray(np.maximum(from_left[ch, left], from_right[ch, right]))


def _partials(fast: LongTermSpectrum, ch: NDArray[np.intp], bins: NDArray[np.intp]) -> Figures:
    """Return the level of the strongest line at 1/2, 2 or 3 times the frequency against its own."""
    highest = np.full(len(ch), NO_PARTIAL_DB, np.float32)
    for multiple in (0.5, 2.0, 3.0):
        place = np.rint(multiple * bins).astype(np.intp)
        usable = (place > 5) & (place < fast.level_dbfs.shape[1] - 6)
        place = np.where(usable, place, 6)
        around = np.stack([place - 1, place, place + 1])
        stands = fast.prominence_db[ch, around].max(axis=0) > PARTIAL_PROMINENCE_DB
        own = fast.relative_db[ch, around].max(axis=0) - fast.relative_db[ch, bins]
        highest = np.maximum(highest, np.where(usable & stands, own, NO_PARTIAL_DB))
    return np.asarray(highest, np.float32)
