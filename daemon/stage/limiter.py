"""The amplifier's ceiling: exactly linear below a knee, a smooth bend above it."""

import numpy as np
from numpy.typing import NDArray

KNEE = 0.5
"""Share of the ceiling up to which nothing is changed: 6 dB below it the loop is still linear."""


def soft_clip(samples: NDArray[np.float64], ceiling: float) -> NDArray[np.float64]:
    """Return samples bent towards a ceiling that they never pass.

    Parameters
    ----------
    samples : ndarray of float64, any shape
    ceiling : float
        > 0; the output stays within -ceiling..ceiling and equals the input up to half of it.

    Notes
    -----
    A hyperbolic tangent above the knee: value, slope and curvature are continuous there, so the
    harmonics that it makes fall off fast. The shape is ours; odd symmetry makes odd harmonics.
    """
    size = np.abs(samples)
    knee = KNEE * ceiling
    if float(size.max(initial=0.0)) <= knee:
        return samples
    bent = knee + (ceiling - knee) * np.tanh((size - knee) / (ceiling - knee))
    return np.where(size <= knee, samples, np.copysign(bent, samples))
