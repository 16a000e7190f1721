"""Physics of the loop of microphone, amplifier, wedge and air.

With loop gain |L| (1 = 0 dB) and a delay tau round the loop, candidates lie 1/tau apart, and at a
candidate the level changes by 20 log10 |L| / tau dB per second: growth above the limit, decay
below it. tau is the group delay of the whole loop at that frequency.
"""

import math

from prehowl.detectors.bands import octaves_off_centre

RESERVE_DB = 1.5
"""Cut beyond the bare excess, so that the ring does not linger. Rounding up to the fader's step
adds to it; 2-3 dB of margin avoid audible ringing (Schroeder 1964, Guelke & Broadhurst 1971; both
second hand, through van Waterschoot & Moonen 2011)."""

SMALLEST_CUT_DB = 1.0

USUAL_CUT_DB = 3.0
"""Where the excess is not known. Common practice, no source: 2-4 dB on a usual wedge."""


def speed_of_sound(temperature_c: float) -> float:
    """Return the speed of sound in dry air, m/s: 331.3 sqrt(1 + T / 273.15).

    Source: textbook formula; 343.2 m/s at 20 degrees C.

    Raises
    ------
    ValueError
        If the temperature is not above absolute zero.
    """
    if not temperature_c > -273.15:
        raise ValueError(f"temperature {temperature_c!r} °C is not above -273.15 °C")
    return 331.3 * math.sqrt(1 + temperature_c / 273.15)


def loop_delay(distance_m: float, electronics_s: float, temperature_c: float = 20.0) -> float:
    """Return the delay round the loop in seconds: air path plus converters, desk and amplifier."""
    return distance_m / speed_of_sound(temperature_c) + electronics_s


def candidate_spacing_hz(loop_delay_s: float) -> float:
    """Return the distance between neighbouring frequencies that can ring: 1 / tau."""
    return 1 / loop_delay_s


def growth_db_per_s(loop_gain_db: float, loop_delay_s: float) -> float:
    """Return the growth (decay: below zero) of a ring at the given loop gain."""
    return loop_gain_db / loop_delay_s


def margin_db(measured_growth_db_per_s: float, loop_delay_s: float) -> float:
    """Return what is in hand below the limit, dB; below zero the loop runs away."""
    return -measured_growth_db_per_s * loop_delay_s


def peaking_share(octaves_off: float) -> float:
    """Return the share (0..1) of a third-octave band's cut that arrives beside its centre.

    Small-signal limit of the analogue peaking filter with Q = 4.32: for cuts of a few dB the
    decibels scale with 1 / (1 + (Q (f/f0 - f0/f))^2). At the band's edge it is one half.
    Source: the peaking filter of the W3C Audio EQ Cookbook note (2021); the limit is ours.
    """
    ratio = float(2.0**octaves_off)
    return 1.0 / (1 + (4.32 * (ratio - 1 / ratio)) ** 2)


def advised_cut_db(
    margin: float | None, frequency_hz: float, *, cap_db: float = 6.0, step_db: float = 0.5
) -> float:
    """Return how far to pull the fader of the ring's band, in dB, > 0.

    The excess over the limit plus a reserve, made larger where the ring lies off the centre of
    its band (at the edge only half the cut arrives there), rounded up to the fader's step and
    never above the cap. Common practice, no source: 2-4 dB in all on a usual wedge.

    Parameters
    ----------
    margin : float or None
        dB below the limit, from `margin_db`; below zero for a running ring. None: not known.
    frequency_hz : float
    cap_db, step_db : float
        Largest advice and fader step.
    """
    wanted = USUAL_CUT_DB if margin is None else max(RESERVE_DB - margin, SMALLEST_CUT_DB)
    at_the_fader = wanted / peaking_share(octaves_off_centre(frequency_hz))
    return min(cap_db, math.ceil(at_the_fader / step_db - 1e-9) * step_db)
