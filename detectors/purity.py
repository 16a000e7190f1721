"""Line purity: whether a peak has the shape that the window gives to a lone, growing tone.

A tone under the Hann window has a main lobe of known shape. An attack that falls inside the
frame, vibrato, a second tone nearby: all widen or skew it. Growth is allowed for: a tone that
grows by g nepers a frame sits at a complex frequency, d + j g / (2 pi) bins from the bin.
"""

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.lines import LineView
from prehowl.detectors.spectrum import FLOOR_POWER

REACH = 2
"""Bins on each side of the highest one that make up the lobe."""

NEPER_DB = 20 / np.log(10)


def lobe(offset: NDArray[np.float32], growth_db: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the magnitudes of bins -2..2 for a tone `offset` bins off the middle one.

    Parameters
    ----------
    offset, growth_db : ndarray of float32, shape (lines,)
        Bins, and dB of growth over one frame.

    Returns
    -------
    ndarray of float32, shape (lines, 5), arbitrary scale

    Notes
    -----
    |sin(pi z) / (pi z (1 - z^2))| at z = k - offset + j growth / (2 pi nepers): the Hann
    window's transform (closed form, derived), at a complex frequency.
    """
    k = np.arange(-REACH, REACH + 1, dtype=np.float32)
    imaginary = np.maximum(np.abs(growth_db), 1e-2) / (NEPER_DB * 2 * np.pi)
    z = (k - offset[:, None]) + 1j * imaginary[:, None]
    return np.asarray(np.abs(1 / (z * (1 - z * z))), np.float32)


def impurity_db(view: LineView, growth_db: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the share of the lobe's power that the pure shape does not explain, dB, <= 0."""
    bins = view.power.shape[1]
    place = np.clip(view.bin[:, None] + np.arange(-REACH, REACH + 1), 0, bins - 1)
    measured = np.sqrt(view.power.ravel()[place + (view.ch * bins)[:, None]])
    low, mid, high = measured[:, 1], measured[:, 2], measured[:, 3]
    total = np.maximum(low + 2 * mid + high, 1e-12)
    offset = np.clip(2 * (high - low) / total, -0.7, 0.7)
    shape = lobe(offset, growth_db)
    energy = np.maximum((measured * measured).sum(axis=1), FLOOR_POWER)
    fitted = (measured * shape).sum(axis=1) ** 2 / (shape * shape).sum(axis=1)
    return np.asarray(10 * np.log10(np.maximum(1 - fitted / energy, 1e-4)), np.float32)


def measure(view: LineView) -> NDArray[np.float32]:
    """Return the impurity of each line against a steady tone, dB, -40..0.

    Returns
    -------
    ndarray of float32, shape (lines,), dB
        About -40 for a lone tone, near -10 inside programme.

    Notes
    -----
    Source: ours, from the transform of the window.
    """
    return impurity_db(view, np.zeros(len(view.row), np.float32))
