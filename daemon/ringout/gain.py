"""How much gain a ring-out has won, from the rise of the mix' steady noise floor.

Owns one small estimate. In a quiet room the mix carries the noise of room and microphone, raised
by the send: twice the gain, 6 dB more noise. Where the loop is strong its own ringing adds to the
noise, the more the nearer to the limit; it adds and never takes away. So the rises of the bands
whose faders hardly moved are ranked, and their lower third tells. What is left of the bias is
measured on virtual stages: docs/ringout.md. Ours; common practice, no source.
"""

from collections.abc import Sequence

import numpy as np

from prehowl.daemon.ringout.state import GainWon
from prehowl.detectors.bands import exact_centres_hz
from prehowl.detectors.spectrum import FLOOR_DBFS

LOWER_SHARE = 1 / 3
FEWEST_BANDS = 4
LOWEST_HZ = 450.0
"""Narrower bands hold too few bins of a short frame: their level is chance."""
HARDLY_DB = 1.0
"""A fader that takes more than this from its band makes the band's rise unsure."""
ABOVE_FLOOR_DB = 6.0
"""A band that is as quiet as this above digital silence tells nothing."""
SMALLEST_PLUS_MINUS_DB = 1.0


def gain_between(
    first_db: Sequence[float] | None,
    now_db: Sequence[float] | None,
    taken_db: Sequence[float],
) -> GainWon | None:
    """Return the rise of gain between two readings of the noise floor.

    Parameters
    ----------
    first_db, now_db : sequence of 31 floats, or None
        Noise floor per band, dBFS; None where it could not be read.
    taken_db : sequence of 31 floats
        What the faders took from each band between the two readings, dB >= 0.

    Returns
    -------
    GainWon or None
        None if a reading is missing or fewer than four bands can tell. The uncertainty is the
        spread of the rises that were used, at least 1 dB; its coverage is in docs/ringout.md.
    """
    if first_db is None or now_db is None:
        return None
    first, now = np.array(first_db), np.array(now_db)
    taken = np.array(taken_db)
    told = (first > FLOOR_DBFS + ABOVE_FLOOR_DB) & (now > FLOOR_DBFS + ABOVE_FLOOR_DB)
    told &= (exact_centres_hz() > LOWEST_HZ) & (np.abs(taken) <= HARDLY_DB)
    if int(told.sum()) < FEWEST_BANDS:
        return None
    rises = np.sort((now - first + taken)[told])
    used = rises[: max(2, round(LOWER_SHARE * rises.size))]
    spread = float(used[-1] - used[0])
    return GainWon(float(np.median(used)), max(spread, SMALLEST_PLUS_MINUS_DB), is_measured=True)
