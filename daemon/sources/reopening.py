"""When to open a device again that was lost, and what to ask of it then. Pure."""

from dataclasses import replace
from typing import Any

from prehowl.daemon.errors import DeviceFault
from prehowl.daemon.sources.capture_process import Wish

RETRY_FIRST_S = 0.1
RETRY_LONGEST_S = 2.0


class Reopening:
    """The tries of one device, rarer and rarer until it delivers again.

    Every try asks for the rate that a person asked for, so that a device which once came back at
    another one does not stay there. Where that is refused and the source adapts, the next try is
    made at once, with the device's own rate, whatever it is by then.
    """

    def __init__(self, wish: Wish, asked_hz: int | None) -> None:
        """Begin with an open device; `wish` tells how, `asked_hz` the rate that was asked for."""
        self.wish = wish
        """What the next try asks for."""
        self._asked_hz = asked_hz
        self._rate_hz = wish.rate_hz  # at which it delivered last
        self._retry_s = RETRY_FIRST_S
        self._retry_at_s = 0.0

    def is_due(self, now_s: float) -> bool:
        """Tell whether to try now; monotonic time."""
        return now_s >= self._retry_at_s

    def delivers(self, rate_hz: int, identity: dict[str, Any] | None) -> None:
        """Note that it delivers, at so many samples a second, and under which name by now."""
        self._rate_hz = rate_hz
        self._retry_s = RETRY_FIRST_S
        self.wish = replace(self.wish, rate_hz=self._asked_hz or rate_hz, identity=identity)

    def lost(self, fault: DeviceFault, now_s: float, *, has_delivered: bool) -> bool:
        """Note that a try failed, or that a device which delivered has gone.

        Parameters
        ----------
        fault : DeviceFault
        now_s : float
            Monotonic time.
        has_delivered : bool
            False where this try never came so far.

        Returns
        -------
        bool
            Whether that is news for a person; not while the other rate is still to be tried.
        """
        is_refused = fault is DeviceFault.RATE_REFUSED and self.wish.rate_hz is not None
        if self.wish.adapts and is_refused:
            self.wish = replace(self.wish, rate_hz=None)
            self._retry_at_s = now_s
            return False
        self.wish = replace(self.wish, rate_hz=self._asked_hz or self._rate_hz)
        self._retry_at_s = now_s + (0.0 if has_delivered else self._retry_s)
        if not has_delivered:
            self._retry_s = min(2 * self._retry_s, RETRY_LONGEST_S)
        return True
