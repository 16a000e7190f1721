"""How long an ear may take a sound level: the arithmetic of the published exposure limits.

A howl is loud and short, so the figures that matter are times in seconds. They are for the cautions
of a ring-out; they need a sound level meter at the ear, in dBA: prehowl measures dBFS and can read
none of them off its own input.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

DAY_S = 8 * 3600.0
"""The working day that every limit here is written for, seconds."""


@dataclass(frozen=True, slots=True)
class Limit:
    """One rule: a level for a whole day, and the rise in level that halves the time.

    Attributes
    ----------
    name : str
        Who says so.
    day_dba : float
        Level that is allowed for eight hours, dBA.
    exchange_db : float
        Rise in level for which the allowed time is halved, dB.
    ceiling_dba : float or None
        Level above which no steady sound is allowed for any time; None where the rule has none.
    """

    name: str
    day_dba: float
    exchange_db: float
    ceiling_dba: float | None


NIOSH = Limit("NIOSH", 85.0, 3.0, 115.0)
"""Recommended limit, USA: criteria document 98-126 (1998); the table was read on the CDC's page on
noise; the ceiling of 115 dBA is second hand."""
OSHA = Limit("OSHA", 90.0, 5.0, 115.0)
"""Law in general industry, USA: 29 CFR 1910.95 (b), table G-16 (a printed copy was read), and its
Appendix A with table G-16A (read)."""


def allowed_s(level_dba: float, limit: Limit) -> float:
    """Return how long a steady level may last in one day before it has used the day up.

    Parameters
    ----------
    level_dba : float
        A-weighted sound level at the ear, slow response, dBA.
    limit : Limit
        The rule, such as `NIOSH`.

    Returns
    -------
    float
        Seconds, >= 0; 0 above the rule's ceiling.

    Raises
    ------
    ValueError
        If the level is not a finite number.

    Notes
    -----
    Source: T = 8 / 2^((L - 85) / 3) hours (NIOSH 98-126), T = 8 / 2^((L - 90) / 5) hours
    (29 CFR 1910.95 Appendix A, read).
    """
    if not math.isfinite(level_dba):
        raise ValueError(f"level {level_dba!r} dBA: must be a finite number of decibels")
    if limit.ceiling_dba is not None and level_dba > limit.ceiling_dba:
        return 0.0
    return DAY_S * math.exp2((limit.day_dba - level_dba) / limit.exchange_db)


def dose(parts: Sequence[tuple[float, float]], limit: Limit) -> float:
    """Return the share of a day's allowance that several spells of noise use up together.

    Parameters
    ----------
    parts : sequence of (level_dba, duration_s)
        Each spell: level at the ear in dBA, length in seconds, >= 0.
    limit : Limit
        The rule.

    Returns
    -------
    float
        1.0 is the whole day's allowance; infinite for any time above the ceiling. Quiet spells
        count as well: the thresholds below which a rule leaves them out would make the figure
        smaller, and this one is for cautions.

    Raises
    ------
    ValueError
        If a duration is negative or not a number.

    Notes
    -----
    Source: sum of C_n / T_n (29 CFR 1910.95 Appendix A, read; NIOSH 98-126).
    """
    total = 0.0
    for level_dba, duration_s in parts:
        if not duration_s >= 0:
            raise ValueError(f"duration {duration_s!r} s: must be 0 or more")
        allowed = allowed_s(level_dba, limit)
        if duration_s:
            total += duration_s / allowed if allowed else math.inf
    return total


def day_level_dba(share: float, limit: Limit) -> float:
    """Return the steady eight-hour level that gives the same dose (the time-weighted average).

    Parameters
    ----------
    share : float
        From `dose`, > 0.
    limit : Limit
        The rule.

    Returns
    -------
    float
        dBA; the rule's own day level for a share of 1.

    Raises
    ------
    ValueError
        If the share is not above 0.

    Notes
    -----
    Source: TWA = 10 log10(D / 100) + 85 (NIOSH 98-126), 16.61 log10(D / 100) + 90 (29 CFR 1910.95
    Appendix A, read), D in percent; both are one formula, since 3 / log10(2) = 9.97 and
    5 / log10(2) = 16.61.
    """
    if not share > 0:
        raise ValueError(f"dose {share!r}: must be above 0")
    return limit.day_dba + limit.exchange_db * math.log2(share)
