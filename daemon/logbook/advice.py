"""What to change tomorrow, from what rang today. Pure: rings in, advice out.

The rules are common practice (no source), the thresholds ours: what rang once is to be watched,
what rang again is to be cut where the wedge's equaliser is. Neither a microphone at which band
after band rings nor a fader at its cap is a matter for an equaliser.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from prehowl.daemon.logbook.incidents import Incident
from prehowl.daemon.logbook.story import RingStory
from prehowl.daemon.sinks.words import band_words
from prehowl.detectors.bands import NOMINAL_HZ

Fader = tuple[str, float]
"""The sheet that it is on, and its band."""
AGAIN = 2
"""Incidents in one band of one mix from which it is worth a fader."""
TOO_MANY_BANDS = 4
"""Different bands from which more cuts are no cure: microphone, place or level are."""
USUAL_CUT_DB = 3.0
"""Where no cut was advised; common practice, no source."""


@dataclass(frozen=True, slots=True)
class BandCount:
    """How often one band of one channel rang."""

    channel: int
    band_hz: float
    alarms: int  # howls that belong to the channel
    howls: int
    suspects: int  # that never became an alarm
    heard: int  # alarms of howls that belong to another channel
    cut_db: float | None  # the largest that was advised
    at_cap: bool  # an alarm was answered with "send down": the fader could go no further


@dataclass(frozen=True, slots=True)
class Pull:
    """A band to pull on one sheet."""

    sheet: str  # the mix whose equaliser it is
    names: tuple[str, ...]  # the microphones at which it rang
    band_hz: float
    cut_db: float
    times: int
    neighbour_hz: float | None  # the next band, where that is to be pulled as well


@dataclass(frozen=True, slots=True)
class Look:
    """A channel to look at: no equaliser will mend it."""

    name: str
    why: str


@dataclass(frozen=True, slots=True)
class Watch:
    """A band that rang once: to be kept an eye on."""

    sheet: str
    name: str
    band_hz: float


@dataclass(frozen=True, slots=True)
class Advice:
    """What to do before the next show."""

    pulls: tuple[Pull, ...] = ()  # the most frequent first
    looks: tuple[Look, ...] = ()
    watches: tuple[Watch, ...] = ()


def counts_of(rings: Iterable[RingStory]) -> list[BandCount]:
    """Return the counts by channel and band, in that order."""
    found: dict[tuple[int, float], list[RingStory]] = defaultdict(list)
    for ring in rings:
        found[ring.channel, ring.band_hz].append(ring)
    return [_count(channel, band, found[channel, band]) for channel, band in sorted(found)]


def advise(incidents: Sequence[Incident]) -> Advice:
    """Return what the incidents of a show ask for."""
    by_mic: dict[str, list[Incident]] = defaultdict(list)
    for incident in incidents:
        by_mic[incident.name].append(incident)
    crowded = {name for name, found in by_mic.items() if len(_bands(found)) >= TOO_MANY_BANDS}
    looks = [look for name, found in by_mic.items() for look in _looks(name, found)]
    by_fader: dict[Fader, list[Incident]] = defaultdict(list)
    for incident in incidents:
        if incident.name not in crowded:
            by_fader[incident.sheet, incident.band_hz].append(incident)
    capped = {fader: stuck for fader, found in by_fader.items() if (stuck := _at_cap(found))}
    looks += [_capped(sheet, band, found) for (sheet, band), found in capped.items()]
    free = {
        fader: rest
        for fader, found in by_fader.items()
        if (rest := [one for one in found if one not in capped.get(fader, [])])
    }
    again = {fader: found for fader, found in free.items() if len(found) >= AGAIN}
    once = [found[0] for found in free.values() if len(found) < AGAIN]
    pulls = [_pull(sheet, band, found, again) for (sheet, band), found in again.items()]
    return Advice(
        pulls=tuple(sorted(pulls, key=lambda pull: (-pull.times, pull.sheet, pull.band_hz))),
        looks=tuple(looks),
        watches=tuple(Watch(one.sheet, one.name, one.band_hz) for one in once),
    )


def _at_cap(found: Sequence[Incident]) -> list[Incident]:
    """Return those of a fader's incidents whose sheet lets it go no further.

    Each act may have a sheet of its own. It is taken as it stood at last: it may have been changed
    meanwhile.
    """
    last = {one.lead.act: one.at_cap for one in found}
    return [one for one in found if last[one.lead.act]]


def _count(channel: int, band_hz: float, rings: Sequence[RingStory]) -> BandCount:
    alarms = [ring for ring in rings if ring.is_alarm and ring.leads]
    cuts = [ring.cut_db for ring in alarms if ring.cut_db is not None and not ring.at_cap]
    return BandCount(
        channel=channel,
        band_hz=band_hz,
        alarms=len(alarms),
        howls=sum(ring.worst == "howling" for ring in alarms),
        suspects=sum(not ring.is_alarm for ring in rings),
        heard=sum(ring.is_alarm and not ring.leads for ring in rings),
        cut_db=max(cuts, default=None),
        at_cap=any(ring.at_cap for ring in alarms),
    )


def _times(count: int) -> str:
    """Return how often: 'once', '2 times'."""
    return "once" if count == 1 else f"{count} times"


def _bands(incidents: Iterable[Incident]) -> set[float]:
    return {incident.band_hz for incident in incidents}


def _names(incidents: Iterable[Incident]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(incident.name for incident in incidents))


def _pull(
    sheet: str,
    band_hz: float,
    found: Sequence[Incident],
    again: Mapping[Fader, list[Incident]],
) -> Pull:
    return Pull(
        sheet=sheet,
        names=_names(found),
        band_hz=band_hz,
        cut_db=max(incident.cut_db or USUAL_CUT_DB for incident in found),
        times=len(found),
        neighbour_hz=next((hz for hz in _beside(band_hz) if (sheet, hz) in again), None),
    )


def _capped(sheet: str, band_hz: float, found: Sequence[Incident]) -> Look:
    why = (
        f"{band_words(band_hz)} on {sheet} rang {_times(len(found))}, and its fader is at its "
        "cap on the sheet: no more to pull. Less level, then the microphone's angle and place, and "
        "the wedge's place"
    )
    return Look(", ".join(_names(found)), why)


def _beside(band_hz: float) -> list[float]:
    index = NOMINAL_HZ.index(band_hz)
    return [NOMINAL_HZ[n] for n in (index - 1, index + 1) if 0 <= n < len(NOMINAL_HZ)]


def _looks(name: str, found: Sequence[Incident]) -> list[Look]:
    looks = []
    bands = len(_bands(found))
    if bands >= TOO_MANY_BANDS:
        why = (
            f"rang in {bands} different bands: more cuts will not mend that. Change the "
            "microphone, its place or the wedge's, or ask for less level"
        )
        looks.append(Look(name, why))
    howls = sum(incident.worst == "howling" for incident in found)
    if howls:
        times = _times(howls)
        looks.append(Look(name, f"howled {times}: ring it out again, and keep some dB in hand"))
    return looks
