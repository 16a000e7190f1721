"""What the cuts take from the sound, through the equaliser's own response."""

from functools import lru_cache

import numpy as np

from prehowl.daemon.ringout.state import Plan, Tap
from prehowl.daemon.stage.filters import graphic, sections_response
from prehowl.detectors.bands import exact_centres_hz
RATE_HZ = 48000


@lru_cache(maxsize=512)
def pink_loss_db(cuts_db: tuple[float, ...]) -> float:
    f = np.geomspace(20, 20000, 2000)
    e = sections_response(graphic(-np.array(cuts_db), RATE_HZ), 2j * np.pi * f / RATE_HZ)
    return float(-10 * np.log10(np.mean(np.abs(e) ** 2)))


@lru_cache(maxsize=512)
def _at_centres_db(cuts_db: tuple[float, ...]) -> tuple[float, ...]:
    s = 2j * np.pi * exact_centres_hz() / RATE_HZ
    e = sections_response(graphic(-np.array(cuts_db), RATE_HZ), s)
    return tuple(-20 * np.log10(np.abs(e)))


def taken_per_band(cuts_db: tuple[float, ...], plan: Plan) -> tuple[float, ...]:
    """Return what the faders took from each band since the start."""
    if plan.tap is Tap.MIX_BEFORE_EQ:
        return (0.0,) * 31
    now, then = _at_centres_db(cuts_db), _at_centres_db(plan.start_db)
    return tuple(a - b for a, b in zip(now, then))
