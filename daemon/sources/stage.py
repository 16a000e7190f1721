"""The virtual stage as a source, and the way back: alarms to its engineer."""

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.alerts_now import AlertsNow
from prehowl.daemon.events import RingEvent
from prehowl.daemon.sinks.base import Snapshot
from prehowl.daemon.sources.base import Block, SourceHealth
from prehowl.daemon.stage.festival import Festival

READ_S = 0.02
"""What one read brings: short, so that an alarm comes back before much more has been played."""
USUAL_CUT_DB = 3.0
"""Cut where an alarm brings no advice; common practice, no source."""


class StageSource:
    """A festival's channels, block by block. A `Source`.

    Parameters
    ----------
    festival : Festival
    seconds : float or None
        Ends after so long, to the sample; None: never.
    """

    def __init__(self, festival: Festival, seconds: float | None) -> None:
        self._festival = festival
        self._left = None if seconds is None else round(seconds * festival.rate_hz)

    @property
    def rate_hz(self) -> int:
        """Samples per second."""
        return self._festival.rate_hz

    @property
    def channels(self) -> int:
        """Number of channels."""
        return len(self._festival.channels)

    @property
    def names(self) -> tuple[str, ...]:
        """Microphones, mixes and playback by name."""
        return self._festival.channels

    def read(self) -> Block | None:
        """Return some 20 ms of all channels, computed now; None at the end."""
        wanted = round(READ_S * self.rate_hz)
        if self._left is not None:
            wanted = min(wanted, self._left)
        if wanted == 0:
            return None
        parts: list[NDArray[np.float32]] = []
        while sum(len(part) for part in parts) < wanted:
            parts.append(self._festival.next_block())
        samples = np.concatenate(parts)
        if self._left is not None:
            samples = samples[: self._left]
            self._left -= len(samples)
        return Block(samples)

    def health(self) -> SourceHealth:
        """Return the state; a virtual stage has no troubles of its own."""
        return SourceHealth("ended" if self._left == 0 else "running")

    def close(self) -> None:
        """Do nothing: there is nothing to let go of."""


class EngineerSink:
    """Gives alarms to the stage's engineer, who acts after a human reaction time. A `Sink`.

    A howl that many channels hear is one act, on the channel that its alert names: a hand goes to
    one mix, not to that of everyone who hears it.
    """

    def __init__(self, festival: Festival) -> None:
        self._festival = festival
        self._alerts = AlertsNow()

    def start(self) -> None:
        """Do nothing: the engineer is there."""

    def on_event(self, event: RingEvent) -> None:
        """Pass on channel, frequency and advised cut; anything but an alarm is for the eyes."""
        news = self._alerts.take(event)
        if news is not None and news.announces:
            alert = news.alert
            cut_db = USUAL_CUT_DB if alert.cut_db is None else alert.cut_db
            sample = round(event.time_s * self._festival.rate_hz)
            self._festival.advise(alert.channel - 1, alert.frequency_hz, cut_db, sample)

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Let it pass."""

    def close(self) -> None:
        """Do nothing."""
