"""Samples that are no sane numbers become silence before anything looks at them."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.facts import Fact

SANEST_PEAK = 1e6
"""Larger samples are damage, not audio (+120 dBFS); their squares would overflow float32."""


class Repair:
    """Mends and counts; tells a person once."""

    def __init__(self, warn: Callable[[str], None]) -> None:
        """Begin without damage; `warn` gets a line at the first."""
        self.bad_samples = 0  # NaN, infinite or absurd, over all channels
        self._warn = warn

    def mended(
        self, samples: NDArray[np.float32], began_s: float, rate_hz: int
    ) -> NDArray[np.float32]:
        """Return samples (samples, channels), from stream time `began_s` on, with 0 for damage."""
        if max(samples.max(), -samples.min()) <= SANEST_PEAK:  # False for NaN, too
            return samples
        bad = ~(np.abs(samples) <= SANEST_PEAK)
        if not self.bad_samples:
            at_s = began_s + int(bad.any(axis=1).argmax()) / rate_hz
            self._warn(
                f"samples that are no sane numbers (NaN, infinite or absurdly large) from "
                f"{at_s:.3f} s on are taken as silence; look at what made this audio"
            )
        self.bad_samples += int(bad.sum())
        return np.where(bad, np.float32(0), samples)

    def damage(self) -> Fact | None:
        """Return what a person should know, None without damage."""
        if not self.bad_samples:
            return None
        return Fact("damaged samples taken as silence", f": {self.bad_samples} so far")
