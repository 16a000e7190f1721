"""The alarms of a logbook, one for each howl, with every ring that told of it.

Pure: rings in, incidents out. Which rings are one howl, and whose, was told while it rang
(`detectors/alerts.py`) and stands in their records; nothing is decided here again.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from prehowl.daemon.logbook.records import ChannelRow
from prehowl.daemon.logbook.story import WORSE, RingStory


@dataclass(frozen=True, slots=True)
class Incident:
    """One howl, or the beginning of one, with every ring that told of it."""

    rings: tuple[RingStory, ...]  # loudest first
    channel: int  # that it belongs to: the microphone, or the mix where no microphone told of it
    name: str
    sheet: str  # whose equaliser it is: a mix by name
    others: tuple[str, ...]  # further channels that heard it

    @property
    def lead(self) -> RingStory:
        """Return the ring of `channel`, the loudest where that one never alarmed itself."""
        return next((ring for ring in self.rings if ring.channel == self.channel), self.rings[0])

    @property
    def clip(self) -> tuple[int, int]:
        """Return by what its clip and spectrum are kept: run, and id of the alert."""
        return self.rings[0].howl

    @property
    def worst(self) -> str:
        """Return the worst state of any of its rings."""
        return max((ring.worst for ring in self.rings), key=WORSE.__getitem__)

    @property
    def band_hz(self) -> float:
        """Return the band that most of its rings name; of two, the louder ring's."""
        bands = [ring.band_hz for ring in self.rings]
        return max(bands, key=bands.count)

    @property
    def cut_db(self) -> float | None:
        """Return the largest cut that was advised on the channel that it belongs to, or at all."""
        own = [ring.cut_db for ring in self.rings if ring.leads and ring.cut_db is not None]
        every = [ring.cut_db for ring in self.rings if ring.cut_db is not None]
        return max(own or every, default=None)

    @property
    def at_cap(self) -> bool:
        """Tell whether the band's fader could go no further, on the channel that it belongs to."""
        here = [ring for ring in self.rings if ring.band_hz == self.band_hz]
        own = [ring for ring in here if ring.leads]
        return any(ring.at_cap for ring in own or here)


def incidents_of(
    rings: Sequence[RingStory], channels: Mapping[tuple[int, int], ChannelRow]
) -> list[Incident]:
    """Return the incidents that the alarms among the rings amount to, in order of time.

    Parameters
    ----------
    rings : sequence of RingStory
        Of any number of runs.
    channels : mapping
        Run and number -> what was known of the channel: another run, another patch.
    """
    groups: dict[tuple[int, int], list[RingStory]] = {}
    for ring in sorted((r for r in rings if r.is_alarm), key=lambda r: (r.run, r.onset_s)):
        groups.setdefault(ring.howl, []).append(ring)
    return [_incident(group, channels) for group in groups.values()]


def _incident(
    group: Sequence[RingStory], channels: Mapping[tuple[int, int], ChannelRow]
) -> Incident:
    loudest = sorted(group, key=lambda ring: ring.level_dbfs, reverse=True)
    alert = loudest[0].alert
    channel = loudest[0].channel if alert is None else alert.channel
    name = loudest[0].channel_name if alert is None else alert.channel_name
    return Incident(
        rings=tuple(loudest),
        channel=channel,
        name=name,
        sheet=(alert and alert.mix) or _sheet(channels.get((loudest[0].run, channel)), name),
        others=tuple(ring.channel_name for ring in loudest if ring.channel != channel),
    )


def _sheet(row: ChannelRow | None, name: str) -> str:
    if row is not None and row.kind == "mix":
        return name
    return (row and row.partner) or f"the mix that feeds the wedge of {name}"
