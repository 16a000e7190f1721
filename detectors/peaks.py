"""Pick spectral peaks and place them between the bins.

For a periodic Hann window and a lone tone at an offset d (in bins, -0.5..0.5) from the highest
bin, with the magnitudes m-, m0, m+ of that bin and its neighbours:

    d = 2 (m+ - m-) / (m- + 2 m0 + m+)             exact, by the window's closed-form transform
    level = m0 * pi d (1 - d^2) / sin(pi d)

Both were derived from W(d) = sin(pi d) / (pi d (1 - d^2)). The symmetric form is used because a
growing tone widens both flanks alike, which cancels in it.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.spectrum import to_dbfs

QUIETEST_DBFS = -110.0
"""Peaks below this are converter noise; no wedge howls from there unseen."""

LOBE_BINS = 3
"""Just outside the Hann main lobe (2 bins each side)."""

LOBE_RATIO = np.float32(10 ** (5.0 / 10))
"""A line must stand this far above both sides of its own main lobe to be a peak at all. 5 dB lets
a ring through while it is still among the programme; broadband noise passes now and then."""


@dataclass(frozen=True, slots=True)
class Peaks:
    """The peaks of one frame on all channels, sorted by channel, then by bin.

    All arrays have shape (peaks,).
    """

    ch: NDArray[np.intp]
    bin: NDArray[np.intp]
    index: NDArray[np.intp]  # ch * bins + bin
    power: NDArray[np.float32]  # of the highest bin


def find_peaks(
    power: NDArray[np.float32], floor: NDArray[np.float32], first_bin: int, last_bin: int
) -> Peaks:
    """Return the peaks of one frame.

    Parameters
    ----------
    power : ndarray of float32, shape (channels, bins), C-contiguous
        From `spectrum.power_spectra`.
    floor : ndarray of float32, shape (channels,)
        Bins of less power are not looked at; few are left, and all else is done for those only.
    first_bin, last_bin : int
        Search range, inclusive; at least `LOBE_BINS` away from both ends.

    Raises
    ------
    ValueError
        If the range touches the ends.
    """
    bins = power.shape[1]
    if first_bin < LOBE_BINS or last_bin > bins - 1 - LOBE_BINS:
        raise ValueError(
            f"bins {first_bin}..{last_bin} are too near the ends of {bins} bins; "
            f"keep {LOBE_BINS} away"
        )
    least = np.maximum(floor, np.float32(10 ** (QUIETEST_DBFS / 10)))
    is_top = power > least[:, None]
    is_top[:, :first_bin] = is_top[:, last_bin + 1 :] = False
    # All channels as one row: neighbours are compared at the speed of memory, and what lies
    # beyond a channel's ends is masked. It halves what flatnonzero, the dearest step, has to list.
    flat, mask = power.reshape(-1), is_top.reshape(-1)
    climbs = flat[1:] > flat[:-1]
    mask[1:-1] &= climbs[:-1] > climbs[1:]
    index = np.flatnonzero(mask)
    here = flat[index]
    stands = here > LOBE_RATIO * np.maximum(flat[index - LOBE_BINS], flat[index + LOBE_BINS])
    index = index[stands]
    ch = index // bins
    return Peaks(ch, index - ch * bins, index, here[stands])


def locate(
    low: NDArray[np.float32], middle: NDArray[np.float32], high: NDArray[np.float32]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return offset (bins, -0.5..0.5) and level (dBFS) of tones.

    Parameters
    ----------
    low, middle, high : ndarray of float32
        Power of the bin below the highest, of the highest, and of the one above; one shape.
    """
    left, top, right = np.sqrt(low), np.sqrt(middle), np.sqrt(high)
    total = np.maximum(left + 2 * top + right, np.float32(1e-12))
    offset = np.minimum(np.maximum(2 * (right - left) / total, -0.5), 0.5).astype(np.float32)
    return offset, np.asarray(to_dbfs(middle) + scalloping_db(offset), np.float32)


def scalloping_db(offset: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return what the Hann window takes from a tone `offset` bins off, dB, 0..1.42."""
    off = np.maximum(np.abs(offset), np.float32(1e-4))
    loss = np.pi * off * (1 - off * off) / np.sin(np.pi * off)
    return np.asarray(20 * np.log10(loss), np.float32)
