"""Everything that a report tells, gathered from a logbook once; pages and pictures draw from it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from prehowl.daemon.logbook.advice import Advice, BandCount, advise, counts_of
from prehowl.daemon.logbook.callings import names_in
from prehowl.daemon.logbook.incidents import Incident, incidents_of
from prehowl.daemon.logbook.reader import Line, LogbookReader, Run
from prehowl.daemon.logbook.records import ChannelRow, Clip, Kind, Spectrum, storable
from prehowl.daemon.logbook.report.clock import (
    StreamClock,
    clocks_of,
    need_telling_apart,
    span_words,
    when_words,
)
from prehowl.daemon.logbook.story import WORSE, ActStory, RingStory, acts_of, rings_of

MOST_MOMENTS = 12
LEAST_GROWTH = float("-inf")


@dataclass(frozen=True, slots=True)
class ChannelPart:
    """What happened on one channel in one act."""

    row: ChannelRow  # its name as in this act
    rings: tuple[RingStory, ...]
    counts: tuple[BandCount, ...]


@dataclass(frozen=True, slots=True)
class ActPart:
    """One act: the channels on which something rang, and the names of the quiet ones."""

    act: ActStory
    run: Run
    clock: StreamClock
    span: str  # from when to when
    channels: tuple[ChannelPart, ...]
    quiet: tuple[str, ...]

    @property
    def title(self) -> str:
        """Return what to call it."""
        return self.act.name or f"Run {self.run.id}"


@dataclass(frozen=True, slots=True)
class Moment:
    """One of the worst moments, with what was kept of it."""

    incident: Incident
    when: str
    clip: Clip | None
    spectrum: Spectrum | None


@dataclass(frozen=True, slots=True)
class Report:
    """The whole report."""

    title: str
    runs: tuple[Run, ...]
    acts: tuple[ActPart, ...]
    advice: Advice
    moments: tuple[Moment, ...]  # worst first
    health: tuple[tuple[str, str], ...]  # (when, what), in order
    alarms: int  # howls: one on many channels counts once
    heard: int  # rings of channels that alarmed for them, all together
    suspects: int  # what never became an alarm, on any channel


def gather(reader: LogbookReader, run: int | None = None) -> Report:
    """Return the report on a logbook, or on one of its runs.

    Parameters
    ----------
    reader : LogbookReader
    run : int, optional
        Only this run; default all.
    """
    runs = tuple(one for one in reader.runs() if run in (None, one.id))
    by_id = {one.id: one for one in runs}
    lines = list(reader.lines(run=run))
    rings = rings_of(lines)
    channels = {(one.id, row.number): row for one in runs for row in one.info.channels}
    incidents = incidents_of(rings, channels)
    acts = acts_of(lines, runs)
    clocks = clocks_of(lines, runs)
    among_others = need_telling_apart(runs)
    callings = [line for line in lines if line.kind == Kind.NAMES]
    parts = [
        _act_part(
            act,
            clocks[act.run],
            span_words(by_id[act.run], act, among_others=among_others),
            [ring for ring in rings if _act_at(acts, ring) is act],
            names_in(act, by_id[act.run], callings),
        )
        for act in acts
    ]
    file_title = storable(reader.path.stem)
    return Report(
        title=next((one.info.title for one in reversed(runs) if one.info.title), file_title),
        runs=runs,
        acts=tuple(part for part in parts if part.channels or part.act.name),
        advice=advise(incidents),
        moments=_worst(reader, incidents, by_id, among_others=among_others),
        health=tuple(
            (_when(line, by_id[line.run], among_others=among_others), str(line.data["text"]))
            for line in lines
            if line.kind == Kind.HEALTH
        ),
        alarms=len(incidents),
        heard=sum(ring.is_alarm for ring in rings),
        suspects=len({ring.howl for ring in rings} - {one.clip for one in incidents}),
    )


def _act_at(acts: Sequence[ActStory], ring: RingStory) -> ActStory:
    """Return the act in which a ring began, by time: the last of its run that had begun."""
    mine = [act for act in acts if act.run == ring.run]
    begun = [act for act in mine if act.begin_s <= ring.first_s]
    return (begun or mine[:1])[-1]


def _act_part(
    act: ActStory,
    clock: StreamClock,
    span: str,
    rings: Sequence[RingStory],
    names: Mapping[int, str],
) -> ActPart:
    run = clock.run
    parts = []
    for row in run.info.channels:
        here = tuple(ring for ring in rings if ring.channel == row.number)
        if here:
            # A name may be changed in the middle of an act: each ring has that of its time.
            called = dict.fromkeys(ring.channel_name for ring in here)
            told = replace(row, name=", then ".join(called))
            parts.append(ChannelPart(told, here, tuple(counts_of(here))))
    loud = {part.row.number for part in parts}
    quiet = tuple(name for number, name in names.items() if number not in loud)
    return ActPart(act, run, clock, span, tuple(parts), quiet)


def _worst(
    reader: LogbookReader,
    incidents: Sequence[Incident],
    runs: dict[int, Run],
    *,
    among_others: bool,
) -> tuple[Moment, ...]:
    chosen = sorted(incidents, key=_badness, reverse=True)[:MOST_MOMENTS]
    spectra = {(run, spectrum.ring): spectrum for run, spectrum in reader.spectra()}
    return tuple(
        Moment(
            incident=incident,
            when=when_words(
                runs[lead.run],
                lead.at,
                lead.onset_s if lead.alarm_s is None else lead.alarm_s,
                among_others=among_others,
            ),
            clip=reader.clip(*incident.clip),
            spectrum=spectra.get(incident.clip),
        )
        for incident in chosen
        for lead in (incident.lead,)
    )


def _badness(incident: Incident) -> tuple[int, float, float]:
    loudest = incident.rings[0]
    growth = LEAST_GROWTH if loudest.growth_db_per_s is None else loudest.growth_db_per_s
    return WORSE[incident.worst], loudest.level_dbfs, growth


def _when(line: Line, run: Run, *, among_others: bool) -> str:
    return when_words(run, line.at, line.time_s, among_others=among_others)
