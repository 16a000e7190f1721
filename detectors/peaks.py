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
    position: NDArray[np.float32]  # in bins, interpolated
    level_dbfs: NDArray[np.float32]  # of the tone, corrected for its place between the bins


def find_peaks(power: NDArray[np.float32], first_bin: int, last_bin: int) -> Peaks:
    """Return the peaks of one frame.

    Parameters
    ----------
    power : ndarray of float32, shape (channels, bins), C-contiguous
        From `spectrum.power_spectrum`.
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

    def shifted(by: int) -> NDArray[np.float32]:
        return power[:, first_bin + by : last_bin + 1 + by]

    here = shifted(0)
    is_peak = here > np.float32(10 ** (QUIETEST_DBFS / 10))
    is_peak &= here > shifted(-1)
    is_peak &= here >= shifted(1)
    flanks = np.maximum(shifted(-LOBE_BINS), shifted(LOBE_BINS))
    is_peak &= here > LOBE_RATIO * flanks
    # flatnonzero is several times faster than nonzero on two axes.
    flat = np.flatnonzero(is_peak)
    ch, offset = np.divmod(flat, is_peak.shape[1])
    return locate(power, ch, offset + first_bin)


def locate(power: NDArray[np.float32], ch: NDArray[np.intp], bins: NDArray[np.intp]) -> Peaks:
    """Interpolate position and level of the tones whose highest bins are given."""
    index = ch * power.shape[1] + bins
    flat = power.ravel()
    low, mid, high = (np.sqrt(flat[index + k]) for k in (-1, 0, 1))
    total = np.maximum(low + 2 * mid + high, np.float32(1e-12))
    offset = np.clip(2 * (high - low) / total, -0.5, 0.5).astype(np.float32)
    level = to_dbfs(mid * mid) + scalloping_db(offset)
    return Peaks(ch, bins, bins + offset, level.astype(np.float32))


def scalloping_db(offset: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return what the Hann window takes from a tone `offset` bins off, dB, 0..1.42."""
    off = np.maximum(np.abs(offset), np.float32(1e-4))
    loss = np.pi * off * (1 - off * off) / np.sin(np.pi * off)
    return np.asarray(20 * np.log10(loss), np.float32)
