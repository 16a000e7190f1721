"""What the cuts take from the sound, by the equaliser's own response."""

from functools import lru_cache

import numpy as np

from prehowl.daemon.ringout.state import DESK_RATE_HZ, Plan, Tap
from prehowl.detectors.bands import exact_centres_hz
from prehowl.detectors.graphic_eq import EqKind, graphic_response_db, graphic_sections
from prehowl.detectors.programme_loss import programme_loss


@lru_cache(maxsize=256)
def pink_loss_db(cuts_db: tuple[float, ...], kind: EqKind) -> float:
    """Return what 31 cuts (dB >= 0) take from pink noise, dB >= 0."""
    gains = -np.array(cuts_db)
    return programme_loss(graphic_sections(gains, DESK_RATE_HZ, kind), DESK_RATE_HZ).pink_db


def taken_per_band(cuts_db: tuple[float, ...], plan: Plan) -> tuple[float, ...]:
    """Return what the faders took from each band at the tap since the plan's beginning, dB.

    All zero where the tap lies before the equaliser.
    """
    if plan.tap is not Tap.MIX:
        return (0.0,) * len(cuts_db)
    now, then = _at_centres_db(cuts_db, plan.eq_kind), _at_centres_db(plan.start_db, plan.eq_kind)
    return tuple(after - before for after, before in zip(now, then, strict=True))


@lru_cache(maxsize=256)
def _at_centres_db(cuts_db: tuple[float, ...], kind: EqKind) -> tuple[float, ...]:
    centres = exact_centres_hz()
    taken = -graphic_response_db(-np.array(cuts_db), centres, DESK_RATE_HZ, kind)
    return tuple(float(cut) for cut in taken)
