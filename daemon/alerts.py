"""Which alert each ring is part of, in the words of the show: channel numbers, mic, mix, wedge.

Who belongs together is decided in `detectors/alerts.py`; here indices get their names.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from prehowl.daemon.events import Alert
from prehowl.detectors.alerts import AlertKeeper, Tap
from prehowl.detectors.rings import RingChange


@dataclass(frozen=True, slots=True)
class Wiring:
    """What the show tells of the watched channels' loops, by row."""

    taps: tuple[Tap, ...]
    wedges: tuple[str | None, ...]  # that a mix feeds, or that stands in front of a mic

    @classmethod
    def unknown(cls, channels: int) -> "Wiring":
        """Return what is known where nothing was told: every channel is a microphone."""
        return cls((Tap(),) * channels, (None,) * channels)


class Alerts:
    """Names the alert of every change.

    Parameters
    ----------
    wiring : Wiring
    numbers : sequence of int
        Channel number of each row.
    rate_hz : int
        Samples per second of the changes.
    """

    def __init__(self, wiring: Wiring, numbers: Sequence[int], rate_hz: int) -> None:
        self._keeper = AlertKeeper(wiring.taps, rate_hz)
        self._wedges = wiring.wedges
        self._numbers = tuple(numbers)

    def told(self, change: RingChange, names: Sequence[str]) -> Alert:
        """Return the alert of a change, every change once and in order; `names` by row, as now."""
        part = self._keeper.take(change)
        return Alert(
            id=part.alert,
            channel=self._numbers[part.lead],
            channel_name=names[part.lead],
            mic_channel=None if part.mic is None else self._numbers[part.mic],
            mix_channel=None if part.mix is None else self._numbers[part.mix],
            mic=None if part.mic is None else names[part.mic],
            mix=None if part.mix is None else names[part.mix],
            wedge=self._wedge(part.mix) or self._wedge(part.mic),
        )

    def _wedge(self, ch: int | None) -> str | None:
        return None if ch is None else self._wedges[ch]
