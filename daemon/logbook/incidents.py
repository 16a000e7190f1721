"""One howl is heard by every microphone: alarms that belong together become one incident.

Pure: rings in, incidents out. Rings of one incident have nearly the same frequency and overlap in
time. The loudest mix among them, and the loudest microphone, are taken for the loop: what everyone
hears is loudest where it runs round (docs/troubleshooting.md; common practice, no source).
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from prehowl.daemon.logbook.records import ChannelRow
from prehowl.daemon.logbook.story import WORSE, RingStory

SAME_CENTS = 35.0
"""Channels measure one tone within a few cents; neighbouring candidates of one loop, about 1/delay
apart, are farther from each other below some 5 kHz."""
SLACK_S = 0.5
"""A channel that hears a ring faintly finds it later, and loses it sooner."""


@dataclass(frozen=True, slots=True)
class Incident:
    """One howl, or the beginning of one, with every ring that told of it."""

    rings: tuple[RingStory, ...]  # loudest first
    channel: int  # the microphone to look at, or the mix where no microphone told of it
    name: str
    sheet: str  # whose equaliser it is: a mix by name
    others: tuple[str, ...]  # further channels that heard it

    @property
    def lead(self) -> RingStory:
        """Return the ring of `channel`."""
        return next(ring for ring in self.rings if ring.channel == self.channel)

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
        """Return the largest cut that was advised."""
        return max((r.cut_db for r in self.rings if r.cut_db is not None), default=None)


def incidents_of(rings: Sequence[RingStory], channels: Mapping[int, ChannelRow]) -> list[Incident]:
    """Return the incidents that the alarms among the rings amount to, in order of time.

    Parameters
    ----------
    rings : sequence of RingStory
        Of any number of runs.
    channels : mapping
        Number -> what was known of the channel.
    """
    groups: list[list[RingStory]] = []
    for ring in sorted((r for r in rings if r.is_alarm), key=lambda r: (r.run, r.onset_s)):
        home = next((group for group in reversed(groups) if _belongs(ring, group)), None)
        if home is None:
            groups.append([ring])
        else:
            home.append(ring)
    return [_incident(group, channels) for group in groups]


def _belongs(ring: RingStory, group: Sequence[RingStory]) -> bool:
    """Tell whether a ring is one more voice of a group; never two of one channel at once."""
    return any(_is_same(ring, other) for other in group) and all(
        ring.channel != other.channel for other in group
    )


def _is_same(a: RingStory, b: RingStory) -> bool:
    if a.run != b.run:
        return False
    if abs(1200 * math.log2(a.frequency_hz / b.frequency_hz)) > SAME_CENTS:
        return False
    first, second = (a, b) if a.onset_s <= b.onset_s else (b, a)
    return first.end_s is None or second.onset_s <= first.end_s + SLACK_S


def _incident(group: Sequence[RingStory], channels: Mapping[int, ChannelRow]) -> Incident:
    loudest = sorted(group, key=lambda ring: ring.level_dbfs, reverse=True)
    mixes = [ring for ring in loudest if _kind(channels, ring) == "mix"]
    mics = [ring for ring in loudest if _kind(channels, ring) != "mix"]
    lead = (mics or mixes)[0]
    return Incident(
        rings=tuple(loudest),
        channel=lead.channel,
        name=lead.channel_name,
        sheet=mixes[0].channel_name if mixes else _sheet(channels, lead),
        others=tuple(ring.channel_name for ring in loudest if ring is not lead),
    )


def _kind(channels: Mapping[int, ChannelRow], ring: RingStory) -> str:
    row = channels.get(ring.channel)
    return "mic" if row is None else row.kind


def _sheet(channels: Mapping[int, ChannelRow], ring: RingStory) -> str:
    row = channels.get(ring.channel)
    partner = "" if row is None else row.partner
    return partner or f"the mix that feeds the wedge of {ring.channel_name}"
