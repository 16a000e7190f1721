"""Peak-to-harmonic power ratio: a howl is one line, a voice or a string brings its partials."""

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.spectrum import FLOOR_POWER
from prehowl.detectors.tracks import Tracks

MULTIPLES = (0.5, 1.5, 2.0, 3.0, 4.0)
"""Published set of partials and sub-partials."""

NONE_IN_RANGE_DB = 60.0
"""Answer where no multiple falls inside the spectrum."""


_MULTIPLES = np.array(MULTIPLES, np.float32)[:, None]


def places(
    bins: NDArray[np.intp],
    position: NDArray[np.floating],
    bin_count: int | NDArray[np.intp],
) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """Return the three bins around each multiple of some lines, and whether it may be read.

    Parameters
    ----------
    bins : ndarray of int, shape (tracks,)
    position : ndarray, shape (tracks,)
        Of the same lines, in bins and parts of a bin.
    bin_count : int, or ndarray of int of the same shape
        Bins of the spectrum.

    Returns
    -------
    place : ndarray of int, shape (15, tracks)
        Lower, middle, upper bin of all multiples.
    usable : ndarray of bool, shape (5, tracks)
        Whether the multiple lies inside the spectrum and beside the line itself.
    """
    place = np.rint(position * _MULTIPLES).astype(np.intp)
    # Nearer than four bins to the line itself its own main lobe would be read.
    usable = (np.abs(place - bins) >= 4) & (place >= 1) & (place <= bin_count - 2)
    place = np.minimum(np.maximum(place, 1), bin_count - 2)
    return np.concatenate([place - 1, place, place + 1]), usable


def ratio_db(
    here: NDArray[np.float32], there: NDArray[np.float32], usable: NDArray[np.bool_]
) -> NDArray[np.float32]:
    """Return what `measure` does, from powers at the bins, (tracks,), and at their `places`."""
    found = there.reshape(3, *usable.shape).max(axis=0)
    strongest = np.where(usable, found, 0).max(axis=0)
    ratio = 10 * np.log10(np.maximum(here, FLOOR_POWER) / np.maximum(strongest, FLOOR_POWER))
    return np.asarray(np.minimum(ratio, NONE_IN_RANGE_DB), np.float32)


def measure(tracks: Tracks) -> NDArray[np.float32]:
    """Return the smallest 10 log10(|Y(w)|^2 / |Y(m w)|^2) over m = 0.5, 1.5, 2, 3, 4.

    Returns
    -------
    ndarray of float32, shape (tracks,), dB
        Large: a lone line. Below about 20 dB some partial is strong.

    Notes
    -----
    Source: van Waterschoot & Moonen 2011 (read in full; threshold 33 dB, 30 dB in their own
    simulations). Reading the strongest of three bins at each multiple is ours: a partial seldom
    falls in the middle of a bin. Blind once the amplifier clips, as the literature notes.
    """
    place, usable = places(tracks.bin, tracks.position[:, -1], tracks.power.shape[1])
    here = tracks.power[tracks.ch, tracks.bin]
    return ratio_db(here, tracks.power[tracks.ch, place], usable)
