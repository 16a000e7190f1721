"""Peak-to-harmonic power ratio: a howl is one line, a voice or a string brings its partials."""

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.spectrum import FLOOR_POWER
from prehowl.detectors.tracks import Tracks

MULTIPLES = (0.5, 1.5, 2.0, 3.0, 4.0)
"""Published set of partials and sub-partials."""

NONE_IN_RANGE_DB = 60.0
"""Answer where no multiple falls inside the spectrum."""


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
    bins = tracks.power.shape[1]
    flat = tracks.power.ravel()
    base = tracks.ch * bins
    multiples = np.array(MULTIPLES, np.float32)[:, None]
    place = np.rint(tracks.position[:, -1] * multiples).astype(np.intp)
    # Nearer than four bins to the line itself its own main lobe would be read.
    usable = (np.abs(place - tracks.bin) >= 4) & (place >= 1) & (place <= bins - 2)
    place = np.minimum(np.maximum(place, 1), bins - 2) + base
    found = np.maximum(np.maximum(flat[place - 1], flat[place]), flat[place + 1])
    strongest = np.where(usable, found, 0).max(axis=0)
    peak = np.maximum(flat[base + tracks.bin], FLOOR_POWER)
    ratio = 10 * np.log10(peak / np.maximum(strongest, FLOOR_POWER))
    return np.asarray(np.minimum(ratio, NONE_IN_RANGE_DB), np.float32)
