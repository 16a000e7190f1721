"""The one record that terminal, log, OSC and JSON share: a ring enters a state.

Owns names, units and rounding of what leaves the program. The engine speaks in channel indices
and sample counts; here they become channel numbers from 1, names and seconds.
"""

import json
import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from prehowl.detectors.rings import RingChange, RingState

DIGITS = {
    "time_s": 3,
    "onset_s": 3,
    "frequency_hz": 2,
    "level_dbfs": 1,
    "growth_db_per_s": 1,
    "margin_db": 2,
    "cut_db": 1,
}
"""Decimals of each figure in every output: a hundredth of a hertz is a third of a cent at 50 Hz."""


@dataclass(frozen=True, slots=True)
class Alert:
    """The one alert that the rings of a howl make together, on however many channels.

    Names are the best that is known when the event leaves; a later event may correct them.
    """

    id: int  # that of the ring which began it
    channel: int  # the channel that it belongs to
    channel_name: str
    mic_channel: int | None = None  # the loop's microphone and mix; None: not known or not watched
    mix_channel: int | None = None
    mic: str | None = None
    mix: str | None = None
    wedge: str | None = None

    @property
    def named(self) -> tuple[int, ...]:
        """Return the channels that it names: its own, the loop's microphone and mix."""
        named = (self.channel, self.mic_channel, self.mix_channel)
        return tuple(dict.fromkeys(channel for channel in named if channel is not None))

    def record(self) -> dict[str, Any]:
        """Return it as plain JSON types, keys in the documented order."""
        return {
            "id": self.id,
            "channel": self.channel,
            "channel_name": self.channel_name,
            "mic_channel": self.mic_channel,
            "mic": self.mic,
            "mix_channel": self.mix_channel,
            "mix": self.mix,
            "wedge": self.wedge,
        }


@dataclass(frozen=True, slots=True)
class RingEvent:
    """One ring enters one state. Unknown figures are None, never NaN."""

    id: int
    channel: int  # from 1, as on the interface
    channel_name: str
    state: RingState
    time_s: float  # position of the last sample used when the event was raised
    onset_s: float | None  # when the ring is believed to have begun
    frequency_hz: float
    band_hz: float  # nominal ISO 266 centre
    level_dbfs: float
    growth_db_per_s: float | None = None
    margin_db: float | None = None  # below zero: the loop gain is over the limit
    cut_db: float | None = None
    evidence: Mapping[str, float | None] = field(default_factory=dict)
    act: str | None = None  # who is on, where there is a running order
    sheet_cut_db: float | None = None  # how far the band's fader is down on the channel's sheet
    sheet_at_cap: bool = False  # and whether it may go no further
    alert: Alert | None = None  # None: made outside a watch; the ring is then its own alert

    @property
    def is_alarm(self) -> bool:
        """Tell whether the state is one that calls for a hand on the fader now."""
        return self.state in (RingState.RINGING, RingState.HOWLING)

    @property
    def alert_id(self) -> int:
        """Return what the rings of one howl have in common."""
        return self.id if self.alert is None else self.alert.id

    def concerns(self, channels: Collection[int]) -> bool:
        """Tell whether it is on one of the channels, or its alert names one of them."""
        named = (self.channel,) if self.alert is None else self.alert.named
        return any(channel in channels for channel in named)

    @property
    def is_named(self) -> bool:
        """Tell whether it is on a channel that its alert names: the lead, its mic or its mix."""
        return self.alert is None or self.channel in self.alert.named

    def record(self) -> dict[str, Any]:
        """Return the event as plain JSON types, keys in the documented order, rounded."""
        act = {} if self.act is None else {"act": self.act}
        alert = {} if self.alert is None else {"alert": self.alert.record()}
        return self._figures() | self._of_sheet() | act | alert

    def _figures(self) -> dict[str, Any]:
        return {
            "type": "ring",
            "id": self.id,
            "channel": self.channel,
            "channel_name": self.channel_name,
            "state": str(self.state),
            "time_s": _figure("time_s", self.time_s),
            "onset_s": _figure("onset_s", self.onset_s),
            "frequency_hz": _figure("frequency_hz", self.frequency_hz),
            "band_hz": int(self.band_hz) if self.band_hz == int(self.band_hz) else self.band_hz,
            "level_dbfs": _figure("level_dbfs", self.level_dbfs),
            "growth_db_per_s": _figure("growth_db_per_s", self.growth_db_per_s),
            "margin_db": _figure("margin_db", self.margin_db),
            "cut_db": _figure("cut_db", self.cut_db),
            "evidence": {name: _finite(value, 3) for name, value in self.evidence.items()},
        }

    def _of_sheet(self) -> dict[str, Any]:
        """Return the keys that are there only where the channel's sheet cuts the band."""
        if self.sheet_cut_db is None:
            return {}
        cut_db = _finite(self.sheet_cut_db, 1)
        return {"sheet_cut_db": cut_db, "sheet_at_cap": self.sheet_at_cap}

    def json_line(self) -> str:
        """Return the record as one line of strict JSON."""
        return json.dumps(self.record(), ensure_ascii=False, allow_nan=False)


def _figure(name: str, value: float | None) -> float | None:
    return _finite(value, DIGITS[name])


def _finite(value: float | None, digits: int) -> float | None:
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), digits)


def event_from_change(
    change: RingChange, names: Sequence[str], rate_hz: int, began_s: float = 0.0
) -> RingEvent:
    """Turn what the engine says of channel index `ch` into the record that leaves the program.

    Parameters
    ----------
    change : RingChange
        From `Engine.feed`.
    names : sequence of str
        Channel names by index.
    rate_hz : int
        Samples per second of the source.
    began_s : float
        Stream time of sample 0, seconds: a device may change its rate in the middle of a run.
    """
    onset = change.onset_sample
    return RingEvent(
        id=change.id,
        channel=change.ch + 1,
        channel_name=names[change.ch],
        state=change.state,
        time_s=began_s + change.sample / rate_hz,
        onset_s=None if onset is None else began_s + onset / rate_hz,
        frequency_hz=change.frequency_hz,
        band_hz=change.band_hz,
        level_dbfs=change.level_dbfs,
        growth_db_per_s=change.growth_db_per_s,
        margin_db=change.margin_db,
        cut_db=change.cut_db,
        evidence=change.evidence,
    )
