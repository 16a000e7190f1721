"""Which fader, or which two, by how much, for one ring.

Owns the step from a frequency to an instruction; the setting that takes the least from the sound
is found by `prehowl.detectors.eq_solver`. A ring between two faders gets both; what a fader at its
cap cannot give its neighbour adds.
"""

import math
from collections.abc import Sequence

import numpy as np

from prehowl.daemon.ringout.state import DESK_RATE_HZ, Plan, Pull
from prehowl.detectors.bands import NOMINAL_HZ, exact_centres_hz
from prehowl.detectors.graphic_eq import HIGHEST_CENTRE, EqKind, graphic_response_db

SAME_RING_SHARE = 0.02
"""Frequencies nearer than this are one ring: a third of a semitone. The next candidate of a 10 ms
loop lies 100 Hz away, 2 % at 5 kHz; a warmer stage moves a ring by 0.17 % per kelvin. Ours."""
WORTH_SHARE = 0.3
"""An instruction that gives less than this share of what is wanted is none."""
MOST_FADERS = 2
"""No hand moves more at once."""
SECOND_SHARE = 0.3
"""A second fader that would move less than this share of the first one is left alone: what it adds
is within the reserve, and every fader that is moved is one more to explain."""
HIGHEST_HZ = 0.49 * DESK_RATE_HZ


def is_same_ring(one_hz: float, other_hz: float) -> bool:
    """Tell whether two frequencies are near enough to be one ring."""
    return abs(math.log(one_hz / other_hz)) < SAME_RING_SHARE


def nearest_fader(frequency_hz: float) -> int:
    """Return the index (0..30) of the fader whose centre is nearest in pitch."""
    return int(np.argmin(np.abs(np.log(exact_centres_hz() / frequency_hz))))


def attenuation_db(cuts_db: Sequence[float], frequency_hz: float, kind: EqKind) -> float:
    """Return what 31 cuts (dB >= 0) take at one frequency, dB >= 0."""
    heard = [min(frequency_hz, HIGHEST_HZ)]
    return -float(graphic_response_db(-np.asarray(cuts_db), heard, DESK_RATE_HZ, kind)[0])


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
        Gives step, cap and kind of the faders.

    Returns
    -------
    tuple of Pull
        One or two, the one that goes further first; empty if the faders have too little left.
    """
    # Imported here: the solver brings a library that takes a third of a second to load.
    from prehowl.detectors.eq_solver import solve_faders

    already = attenuation_db(cuts_db, frequency_hz, plan.eq_kind)
    setting = solve_faders(
        [min(frequency_hz, HIGHEST_HZ)],
        [already + wanted_db],
        DESK_RATE_HZ,
        step_db=plan.step_db,
        cap_db=plan.cap_db,
        kind=plan.eq_kind,
        kept_db=[-cut for cut in cuts_db],
    )
    further = -np.array(setting.gains_db) - np.array(cuts_db)
    largest = np.argsort(-further, kind="stable")[:MOST_FADERS]
    worth_moving = max(SECOND_SHARE * float(further.max()), plan.step_db / 2)
    pulls = tuple(
        _pull(int(at), float(further[at]), cuts_db) for at in largest if further[at] > worth_moving
    )
    return pulls if reach_db(pulls, cuts_db, frequency_hz, plan) >= WORTH_SHARE * wanted_db else ()


def reach_db(
    pulls: Sequence[Pull], cuts_db: Sequence[float], frequency_hz: float, plan: Plan
) -> float:
    """Return the attenuation that pulls add at a frequency, on top of the cuts."""
    after = list(cuts_db)
    for pull in pulls:
        after[NOMINAL_HZ.index(pull.band_hz)] += pull.by_db
    before_db = attenuation_db(cuts_db, frequency_hz, plan.eq_kind)
    return attenuation_db(after, frequency_hz, plan.eq_kind) - before_db


def advise_neighbour(
    frequency_hz: float, by_db: float, cuts_db: Sequence[float], plan: Plan, *, attempt: int
) -> tuple[Pull, ...]:
    """Return the neighbour to try when the nearest fader does not hold the ring.

    Parameters
    ----------
    by_db : float
        How far the neighbour goes down; the rest as in `advise`.
    attempt : int
        0: the neighbour on the side on which the ring lies, 1: the other one.

    Returns
    -------
    tuple of Pull
        Empty if there is no such fader or it is at its cap.
    """
    away = np.abs(np.log(exact_centres_hz() / frequency_hz))
    first, second = (int(at) for at in np.argsort(away, kind="stable")[:2])
    fader = second if attempt == 0 else 2 * first - second
    centres = exact_centres_hz()
    if not 0 <= fader < len(centres) or centres[fader] >= HIGHEST_CENTRE * DESK_RATE_HZ:
        return ()
    room = plan.cap_db - cuts_db[fader]
    steps = min(math.ceil(by_db / plan.step_db - 1e-9), math.floor(room / plan.step_db + 1e-9))
    return (_pull(fader, steps * plan.step_db, cuts_db),) if steps > 0 else ()


def _pull(fader: int, by_db: float, cuts_db: Sequence[float]) -> Pull:
    return Pull(NOMINAL_HZ[fader], round(by_db, 3), round(cuts_db[fader] + by_db, 3))
