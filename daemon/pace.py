"""How fast the loop goes, and what share of the time its analysis takes."""

import time
from dataclasses import dataclass
from typing import Literal

from prehowl.daemon.stopping import Stop

Pace = Literal["fast", "real"]

CATCH_UP_S = 1.0
"""Later than this (a sleeping laptop, too slow a machine) the clock is set anew, no catching up."""


@dataclass(slots=True)
class Pacer:
    """Waits until a sample is due, against one start time, so that errors do not add up."""

    rate_hz: int
    pace: Pace
    _start_s: float | None = None

    def wait_for(self, sample: int, stop: Stop) -> None:
        """Return when a sample is due, or when asked to stop."""
        if self.pace == "fast":
            return
        now_s = time.monotonic()
        if self._start_s is None or now_s - self._due_s(sample) > CATCH_UP_S:
            self._start_s = now_s - sample / self.rate_hz
        while (left_s := self._due_s(sample) - time.monotonic()) > 0 and not stop.is_set():
            time.sleep(min(left_s, 0.05))

    def _due_s(self, sample: int) -> float:
        return (self._start_s or 0.0) + sample / self.rate_hz


@dataclass(slots=True)
class Load:
    """Seconds of work per second of stream: over the last full second, and since the last look."""

    share: float = 0.0
    _spent_s: float = 0.0
    _stream_s: float = 0.0
    _new_spent_s: float = 0.0
    _new_stream_s: float = 0.0

    def add(self, spent_s: float, stream_s: float) -> None:
        """Note what one piece of the stream took."""
        self._new_spent_s += spent_s
        self._new_stream_s += stream_s
        self._spent_s += spent_s
        self._stream_s += stream_s
        if self._stream_s >= 1.0:
            self.share = self._spent_s / self._stream_s
            self._spent_s = self._stream_s = 0.0

    def news(self) -> tuple[float, float]:
        """Return share and length, seconds of stream, of what came since the last call."""
        spent_s, stream_s = self._new_spent_s, self._new_stream_s
        self._new_spent_s = self._new_stream_s = 0.0
        return (spent_s / stream_s if stream_s else 0.0), stream_s
