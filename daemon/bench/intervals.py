"""Confidence intervals for the bench's figures: shares, rates, medians."""

from collections.abc import Sequence

import numpy as np
from scipy.stats import binom, chi2, norm

CONFIDENCE = 0.95

Interval = tuple[float, float]


def wilson(hits: int, of: int, *, confidence: float = CONFIDENCE) -> Interval:
    """Return the Wilson score interval of a share.

    Source: E. B. Wilson, J. Am. Stat. Assoc. 22, 1927, without continuity correction (formula
    from memory; checked against statistics texts' worked cases in the tests).

    Raises
    ------
    ValueError
        If `hits` is not within 0..of, or `of` is not positive.
    """
    if of <= 0 or not 0 <= hits <= of:
        raise ValueError(f"{hits} hits of {of}: a share needs 0 <= hits <= of, of > 0")
    z = float(norm.ppf(0.5 + confidence / 2))
    share = hits / of
    centre = (share + z * z / (2 * of)) / (1 + z * z / of)
    half = z / (1 + z * z / of) * np.sqrt(share * (1 - share) / of + z * z / (4 * of * of))
    return max(0.0, float(centre - half)), min(1.0, float(centre + half))


def poisson(count: int, exposure: float, *, confidence: float = CONFIDENCE) -> Interval:
    """Return the exact interval of a rate: events per unit of exposure.

    Source: F. Garwood, Biometrika 28, 1936: bounds from the chi-square distribution (from memory).

    Raises
    ------
    ValueError
        If the count is negative or the exposure is not positive.
    """
    if count < 0 or exposure <= 0:
        raise ValueError(f"{count} events in {exposure}: needs a count >= 0 and exposure > 0")
    tail = (1 - confidence) / 2
    low = 0.0 if count == 0 else float(chi2.ppf(tail, 2 * count)) / 2
    high = float(chi2.ppf(1 - tail, 2 * count + 2)) / 2
    return low / exposure, high / exposure


def median_interval(values: Sequence[float], *, confidence: float = CONFIDENCE) -> Interval | None:
    """Return an interval of the median from order statistics; None of fewer than six values.

    Distribution-free: the number of values below the median is binomial with a half (textbook).
    """
    ordered = sorted(values)
    n = len(ordered)
    skip = int(binom.ppf((1 - confidence) / 2, n, 0.5)) - 1
    if n < 6 or skip < 0:
        return None
    return ordered[skip], ordered[n - 1 - skip]
