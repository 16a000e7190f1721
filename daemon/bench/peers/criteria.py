"""The detection criteria of the literature as pure functions of a spectrogram.

Shapes: `power` and `level_db` are (frames, bins), |Y|^2 and 10 log10 |Y|^2 of windowed transforms;
bins from 0 Hz to half the rate. Every function looks back only. What has not enough history, and
what is no candidate, reads `NEVER`.

Sources: [1] van Waterschoot & Moonen 2011, [2] Mounir, Bernardi & van Waterschoot 2025, both read
in full; [4] Green, Szymanski & Speed 2016, from memory (docs/references.md).
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float64]
Mask = NDArray[np.bool_]

NEVER = -np.inf
FLOOR = 1e-20
"""Of |Y|^2: no logarithm of nothing."""


def ptpr_db(power: Real, reference: float) -> Real:
    """Peak-to-threshold power ratio: 10 log10(|Y|^2 / P_0) [1]."""
    return np.asarray(10 * np.log10(np.maximum(power, FLOOR) / reference))


def papr_db(power: Real, frame_length: int) -> Real:
    """Peak-to-average power ratio: 10 log10(|Y|^2 / P_y), P_y the mean over all M bins [1].

    `power` holds the bins up to half the rate; the mirrored ones count in the mean. A sine reaches
    M / 2 through a rectangular window and M / 3 through a Hann window (own).
    """
    doubled = 2 * power.sum(axis=1) - power[:, 0]
    if frame_length % 2 == 0:
        doubled = doubled - power[:, -1]
    mean = np.maximum(doubled / frame_length, FLOOR)
    return np.asarray(10 * np.log10(np.maximum(power, FLOOR) / mean[:, None]))


def phpr_db(level_db: Real, multiples: Sequence[float]) -> Real:
    """Peak-to-harmonic power ratio, the least over multiples: L(w) - L(m w) [1].

    The bin nearest to m w stands for it; multiples beyond half the rate or at 0 Hz speak for
    nothing.
    """
    bins = np.arange(level_db.shape[1])
    least = np.full(level_db.shape, np.inf)
    for multiple in multiples:
        at = np.floor(multiple * bins + 0.5).astype(int)
        there = (at > 0) & (at < len(bins)) & (at != bins)
        ratio = level_db[:, there] - level_db[:, at[there]]
        least[:, there] = np.minimum(least[:, there], ratio)
    return least


def pnpr_db(level_db: Real, offsets: Sequence[int]) -> Real:
    """Peak-to-neighbour power ratio, the least over bin offsets: L(i) - L(i + m) [1]."""
    least = np.full(level_db.shape, np.inf)
    for offset in offsets:
        here, there = _shifted(level_db.shape[1], offset)
        ratio = level_db[:, here] - level_db[:, there]
        least[:, here] = np.minimum(least[:, here], ratio)
    return least


def _shifted(bins: int, offset: int) -> tuple[slice, slice]:
    """Return the bins that have a neighbour at an offset, and those neighbours."""
    if offset >= 0:
        return slice(0, bins - offset), slice(offset, bins)
    return slice(-offset, bins), slice(0, bins + offset)


def candidates(power: Real, count: int, lowest_bin: int = 1) -> Mask:
    """Mark the `count` strongest local maxima of each frame, as the peak picking of [1] does."""
    peak = np.zeros(power.shape, bool)
    inner = power[:, 1:-1]
    peak[:, 1:-1] = (inner > power[:, :-2]) & (inner >= power[:, 2:])
    peak[:, :lowest_bin] = False
    held = np.where(peak, power, NEVER)
    if held.shape[1] <= count:
        return peak
    least = np.partition(held, -count, axis=1)[:, -count]
    return peak & (held >= least[:, None])


def only_largest(feature: Real, count: int) -> Real:
    """Keep the `count` largest values of each frame (S_c of [2]), all else `NEVER`."""
    if count >= feature.shape[1]:
        return feature
    least = np.partition(feature, -count, axis=1)[:, -count]
    return np.where(feature >= least[:, None], feature, NEVER)


def ipmp(is_candidate: Mask, history: int) -> Real:
    """Inter-frame peak magnitude persistence: share of the last frames that had the peak [1]."""
    return moving_sum(is_candidate.astype(np.float64), history) / history


def imsd_taps(history: int) -> Real:
    """Return the weights of L(t), L(t - P), ... L(t - Q P) in the IMSD, shape (history + 1,).

    The formula of [1] is linear in the levels:

        IMSD = 1/(Q-1) sum_{m=1..Q-1} ( 1/Q sum_{j=0..Q-1} [L(t-jP) - L(t-QP)] / (Q-j)
                                        - 1/m sum_{j=0..m-1} [L(t-jP) - L(t-mP)] / (m-j) )
    """
    taps = np.zeros(history + 1)

    def add(length: int, weight: float) -> None:
        for j in range(length):
            taps[j] += weight / length / (length - j)
            taps[length] -= weight / length / (length - j)

    for short in range(1, history):
        add(history, 1 / (history - 1))
        add(short, -1 / (history - 1))
    return taps


def imsd_db(level_db: Real, history: int) -> Real:
    """Inter-frame magnitude slope deviation, dB per frame, signed; NaN before the history is full.

    Exactly 0 where the level is straight in dB, whatever its slope, a steady tone too (own).
    """
    out = np.full(level_db.shape, np.nan)
    if len(level_db) <= history:
        return out
    out[history:] = 0.0
    for back, weight in enumerate(imsd_taps(history)):
        out[history:] += weight * level_db[history - back : len(level_db) - back]
    return out


def peakness(level_db: Real) -> Real:
    """Return how often in 8 frames the six bins from the second on lie 15 dB lower, 0..1 [1].

    Each side counts for itself; a side that reaches beyond the spectrum does not count.
    """
    votes = np.zeros(level_db.shape)
    for sign in (1, -1):
        total = np.zeros(level_db.shape)
        whole = np.zeros(level_db.shape[1])
        for offset in range(2, 8):
            here, there = _shifted(level_db.shape[1], sign * offset)
            total[:, here] += level_db[:, here] - level_db[:, there]
            whole[here] += 1
        votes += (total / 6 >= 15.0) & (whole == 6)
    return moving_sum(votes, 8) / 16


def slopeness(deviation_db: Real) -> Real:
    """Return exp(-|IMSD|), 0..1; 0 without history [1]."""
    return np.exp(-np.abs(np.nan_to_num(deviation_db, nan=np.inf)))


def fep(level_db: Real, history: int) -> Real:
    """Feedback existence probability: 0.7 slopeness + 0.3 peakness [1]."""
    return 0.7 * slopeness(imsd_db(level_db, history)) + 0.3 * peakness(level_db)


def slope_deviation_db(level_db: Real, history: int) -> Real:
    """Temporal slope deviation: the sum of |second differences| of the level over the history.

    Small where the level is straight in dB [4]. NaN before the history is full. The absolute value
    and the plain sum are from memory.
    """
    out = np.full(level_db.shape, np.nan)
    if len(level_db) < history:
        return out
    bend = np.abs(np.diff(level_db, n=2, axis=0))
    out[history - 1 :] = moving_sum(bend, history - 2)[history - 3 :]
    return out


def ninos2_t(magnitude: Real, history: int) -> Real:
    """NINOS2-T: how little the last magnitudes are spread in time, 0..1 [2].

        ( norm2 / norm4 - 1 ) / ( Q^(1/4) - 1 )

    over the row of the last Q magnitudes of a bin: 1 for a constant one, 0 for all in one frame.
    `NEVER` before the history is full. `magnitude` may be linear or on a log scale, >= 0.
    """
    square = np.square(magnitude)
    second = moving_sum(square, history)
    fourth = moving_sum(np.square(square), history)
    ratio = np.sqrt(second) / np.maximum(fourth, FLOOR**2) ** 0.25
    out = (ratio - 1) / (history**0.25 - 1)
    out[: history - 1] = NEVER
    return np.asarray(out)


def moving_sum(values: Real, length: int) -> Real:
    """Return the sum over the last `length` frames (those that there are), by adding only.

    A running sum would subtract, and leave of a quiet frame after a loud one nothing but rounding.
    """
    out = np.zeros(values.shape)
    block, size, offset = values, 1, 0
    while length:
        if length & 1:
            out[offset:] += block[: max(0, len(block) - offset)]
            offset += size
        length >>= 1
        if length:
            grown = block.copy()
            grown[size:] += block[:-size] if size < len(block) else 0
            block, size = grown, 2 * size
    return out
