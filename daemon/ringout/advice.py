"""Which fader, or which two, by how much, for one ring.

Owns the step from a frequency to an instruction. The fader whose centre is nearest takes it alone
where the ring is well inside its band; a ring between two faders gets both, in the shares that
take the least from the rest (least squares). What a capped fader cannot give its neighbour adds.
"""

import math
from collections.abc import Sequence

import numpy as np

from prehowl.daemon.ringout.state import Plan, Pull
from prehowl.detectors.bands import NOMINAL_HZ, exact_centres_hz
from prehowl.detectors.loop import peaking_share

BETWEEN_OCTAVES = 1 / 9
"""A ring farther than this from the nearest centre lies between two faders: the middle third of
the way from one to the next. Ours."""
SAME_RING_SHARE = 0.02
"""Frequencies nearer than this are one ring: a third of a semitone more than a semitone's third,
far less than a fader's band. Ours."""
WORTH_SHARE = 0.5
"""An instruction that gives less than half of what is wanted is none."""
LEAST_SHARE = 0.1
"""A fader that reaches the ring with less of its cut than this is not asked to help."""


def is_same_ring(one_hz: float, other_hz: float) -> bool:
    """Tell whether two frequencies are near enough to be one ring."""
    return abs(math.log(one_hz / other_hz)) < SAME_RING_SHARE


def nearest_fader(frequency_hz: float) -> int:
    """Return the index (0..30) of the fader whose centre is nearest."""
    return int(np.argmin(np.abs(np.log(exact_centres_hz() / frequency_hz))))


def share_of(fader: int, frequency_hz: float) -> float:
    """Return the share (0..1) of a fader's small cut that arrives at a frequency."""
    return peaking_share(math.log2(frequency_hz / float(exact_centres_hz()[fader])))


def reach_db(pulls: Sequence[Pull], frequency_hz: float) -> float:
    """Return the attenuation that pulls bring at a frequency, small-signal."""
    faders = [NOMINAL_HZ.index(pull.band_hz) for pull in pulls]
    return sum(
        pull.by_db * share_of(fader, frequency_hz)
        for pull, fader in zip(pulls, faders, strict=True)
    )


def advise(
    frequency_hz: float, wanted_db: float, cuts_db: Sequence[float], plan: Plan
) -> tuple[Pull, ...]:
    """Return the faders to pull for a wanted attenuation at a frequency.

    Parameters
    ----------
    frequency_hz : float
    wanted_db : float
        On top of what the cuts give already, > 0.
    cuts_db : sequence of 31 floats
        Where the faders stand, dB >= 0.
    plan : Plan
        Gives step and cap of the faders.

    Returns
    -------
    tuple of Pull
        One or two, the one that does more first; empty if the faders have too little left.
    """
    first, second = _two_nearest(frequency_hz)
    room = {fader: plan.cap_db - cuts_db[fader] for fader in (first, second)}
    shares = {fader: share_of(fader, frequency_hz) for fader in (first, second)}
    asked = dict.fromkeys((first, second), 0.0)
    if _lies_between(frequency_hz, first):
        power = sum(share**2 for share in shares.values())
        for fader, share in shares.items():
            asked[fader] = _stepped(wanted_db * share / power, room[fader], plan.step_db)
    for fader in (first, second):
        missing = wanted_db - sum(asked[f] * shares[f] for f in asked)
        if missing > plan.step_db / 2 and shares[fader] >= LEAST_SHARE:
            more = _stepped(
                missing / shares[fader], room[fader] - asked[fader], plan.step_db, up=True
            )
            asked[fader] += more
    if sum(asked[f] * shares[f] for f in asked) < WORTH_SHARE * wanted_db:
        return ()
    pulls = [_pull(fader, by, cuts_db) for fader, by in asked.items() if by > 0]
    return tuple(sorted(pulls, key=lambda pull: -pull.by_db))


def advise_neighbour(
    frequency_hz: float, wanted_db: float, cuts_db: Sequence[float], plan: Plan, *, attempt: int
) -> tuple[Pull, ...]:
    """Return the neighbour to try when the nearest fader does not hold the ring.

    Parameters
    ----------
    attempt : int
        0: the neighbour on the side on which the ring lies, 1: the other one; others as in
        `advise`. `wanted_db` is what the fader itself goes down.

    Returns
    -------
    tuple of Pull
        Empty if there is no such fader or it is at its cap.
    """
    first, second = _two_nearest(frequency_hz)
    fader = second if attempt == 0 else 2 * first - second
    if not 0 <= fader < len(NOMINAL_HZ):
        return ()
    by_db = _stepped(wanted_db, plan.cap_db - cuts_db[fader], plan.step_db, up=True)
    return (_pull(fader, by_db, cuts_db),) if by_db > 0 else ()


def _two_nearest(frequency_hz: float) -> tuple[int, int]:
    away = np.abs(np.log(exact_centres_hz() / frequency_hz))
    first, second = np.argsort(away, kind="stable")[:2]
    return int(first), int(second)


def _lies_between(frequency_hz: float, nearest: int) -> bool:
    off = math.log2(frequency_hz / float(exact_centres_hz()[nearest]))
    beyond = (nearest == 0 and off < 0) or (nearest == len(NOMINAL_HZ) - 1 and off > 0)
    return abs(off) > BETWEEN_OCTAVES and not beyond


def _stepped(by_db: float, room_db: float, step_db: float, *, up: bool = False) -> float:
    """Return whole fader steps within the room that is left, never below zero."""
    steps = math.ceil(by_db / step_db - 1e-9) if up else round(by_db / step_db)
    most = math.floor(max(room_db, 0.0) / step_db + 1e-9)
    return min(max(steps, 0), most) * step_db


def _pull(fader: int, by_db: float, cuts_db: Sequence[float]) -> Pull:
    return Pull(NOMINAL_HZ[fader], round(by_db, 3), round(cuts_db[fader] + by_db, 3))
