"""How loud the ring itself is, and when it overtakes the programme: truth, not detection.

The bench knows what a detector cannot: the programme alone and the pole of the loop. What came
back (closed loop minus programme) is mixed down by the pole's frequency and smoothed by a
symmetric window, so that the level has no delay.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.signal import oaconvolve

Real = NDArray[np.float64]

STEP_S = 0.001
FLOOR_DBFS = -120.0
STRAIGHT_DB = 3.0


def level_of(
    returned: Real, ring_hz: float, growth_db_per_s: float, rate_hz: int
) -> tuple[Real, Real]:
    """Return times in seconds and the ring's level in dBFS there, every millisecond.

    Parameters
    ----------
    returned : ndarray, shape (samples,)
        What the loop brought back, without the programme's own way into the microphone.
    ring_hz, growth_db_per_s : float
        Of the pole. The window is 40 ms, 20 ms for rings faster than 200 dB/s (which it still
        reads less than 0.5 dB too loud at 800 dB/s), and three periods at least.
    rate_hz : int
    """
    window_s = max(0.02 if growth_db_per_s > 200 else 0.04, 3 / ring_hz)
    window = np.hanning(int(window_s * rate_hz) + 2)[1:-1]
    turn = np.exp(-2j * np.pi * ring_hz / rate_hz * np.arange(len(returned)))
    amplitude = 2 * np.abs(oaconvolve(returned * turn, window / window.sum(), mode="same"))
    step = max(1, round(STEP_S * rate_hz))
    picked = amplitude[::step]
    time_s = np.arange(len(picked)) * step / rate_hz
    return time_s, 20 * np.log10(np.maximum(picked, 10 ** (FLOOR_DBFS / 20)))


def running_rms_dbfs(samples: Real, rate_hz: int, *, window_s: float = 1.0) -> Real:
    """Return the RMS over the past second (less at the start), every millisecond, dBFS."""
    step = max(1, round(STEP_S * rate_hz))
    total = np.concatenate(([0.0], np.cumsum(np.square(samples))))
    end = np.arange(0, len(samples), step) + 1
    begin = np.maximum(0, end - round(window_s * rate_hz))
    power = np.maximum((total[end] - total[begin]) / (end - begin), 0.0)
    return np.asarray(10 * np.log10(np.maximum(2 * power, 10 ** (FLOOR_DBFS / 10))))


def first_time(time_s: Real, holds: NDArray[np.bool_], after_s: float) -> float | None:
    """Return the first time from `after_s` on at which a condition holds; None if it never does."""
    at = np.flatnonzero(holds & (time_s >= after_s))
    return float(time_s[at[0]]) if len(at) else None


def risen_in_sight(time_s: Real, level: Real, covered: Real, growth_db_per_s: float) -> float:
    """Return how far a ring has come in sight along the straight line of its own growth, dB.

    A word or a note that falls on the loop's frequency can lift a ring over the programme at
    once, or cover it while it grows: such a ring is not there to be seen, even by who knows its
    frequency and its growth. The line runs back from the last level; the stretch counts in which
    the level keeps within `STRAIGHT_DB` of it, and over the programme's own at that frequency.

    Parameters
    ----------
    time_s, level : ndarray, shape (times,)
        As from `level_of`, up to the moment asked about.
    covered : ndarray, shape (times,)
        The same of the programme alone.
    growth_db_per_s : float
        Of the pole.
    """
    back = time_s[-1] - time_s[::-1]
    off = np.abs(level[::-1] - (level[-1] - growth_db_per_s * back))
    strays = np.flatnonzero((off > STRAIGHT_DB) | (level < covered)[::-1])
    stretch_s = back[strays[0]] if len(strays) else back[-1]
    return float(max(growth_db_per_s, 0.0) * stretch_s)
