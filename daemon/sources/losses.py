"""Tells how much audio was lost by comparing what came with the time that went by.

A device's own overflow flag does not tell: a callback that sleeps too long loses a third of the
audio under JACK without one flag (measured). Single blocks come late and catch up, so only the
most punctual block of each span counts: when even that one is behind, samples are missing.
"""

from dataclasses import dataclass

SPAN_S = 1.0
"""Long enough that some block in it was handed over without delay, also on a busy machine."""

DRIFT_PER_S = 500e-6
"""The two clocks may differ: crystals are within 100 ppm each; five times the sum of nothing."""

THRESHOLD_BLOCKS = 0.4
"""A device loses whole periods; half a block is the smallest that is in use."""


@dataclass(slots=True)
class LossMeter:
    """Counts lost samples of one opened stream. Changed in place, by one thread."""

    rate_hz: int
    block_length: int
    _start_ns: int | None = None
    _start_count: int = 0
    _base: float | None = None  # samples behind time that are explained: latency, drift, told loss
    _least: float = float("inf")
    _span_start_ns: int = 0

    def update(self, count: int, now_ns: int) -> int:
        """Take the count of samples so far and the time of the newest; return samples newly lost.

        Parameters
        ----------
        count : int
            Samples per channel delivered since the stream was opened.
        now_ns : int
            Monotonic clock, nanoseconds, when the newest of them was delivered.

        Returns
        -------
        int
            Samples per channel found missing by this call, 0 most of the time. A loss is found
            within two spans of `SPAN_S` of its happening.
        """
        if self._start_ns is None:
            self._start_ns, self._start_count, self._span_start_ns = now_ns, count, now_ns
        elapsed_s = (now_ns - self._start_ns) / 1e9
        behind = elapsed_s * self.rate_hz - (count - self._start_count)
        self._least = min(self._least, behind)
        if now_ns - self._span_start_ns < SPAN_S * 1e9:
            return 0
        least, self._least = self._least, float("inf")
        span_s, self._span_start_ns = (now_ns - self._span_start_ns) / 1e9, now_ns
        return self._judge(least, span_s)

    def _judge(self, least: float, span_s: float) -> int:
        if self._base is None:
            self._base = least
            return 0
        surplus = least - self._base
        drift = DRIFT_PER_S * self.rate_hz * span_s
        if surplus > max(THRESHOLD_BLOCKS * self.block_length, 2 * drift):
            self._base = least
            return round(surplus)
        self._base += max(-drift, min(drift, surplus))
        return 0
