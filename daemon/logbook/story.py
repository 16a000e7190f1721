"""From the lines of a logbook to rings with their whole story: when, where, how bad, in which act.

Pure: lines in, records out.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from prehowl.daemon.logbook.reader import Line, Run
from prehowl.daemon.logbook.records import Kind

NO_ACT = ""
WORSE = {"suspect": 1, "ringing": 2, "howling": 3}

Moment = tuple[float, float]
"""Stream time, and what the clock on the wall said then: seconds, and seconds since 1970."""


@dataclass(frozen=True, slots=True)
class AlertTold:
    """What was known of an alert at last: one howl, on however many channels."""

    id: int
    channel: int  # that it belongs to
    channel_name: str
    mix: str | None


@dataclass(frozen=True, slots=True)
class RingStory:
    """One ring from its first event to its last."""

    run: int
    id: int
    act: str  # "" where no act was told
    channel: int
    channel_name: str
    band_hz: float
    frequency_hz: float  # at the worst moment
    worst: str  # suspect, ringing or howling
    onset_s: float  # stream time; of the first event where the onset is not known
    first_s: float  # stream time of the first event
    alarm_s: float | None  # when it became an alarm
    end_s: float | None  # when it cleared; None where the record ends before
    at: float  # by the clock on the wall: of the alarm's line, without an alarm of the first
    level_dbfs: float  # the highest told
    growth_db_per_s: float | None  # the steepest told
    cut_db: float | None  # the largest advised
    at_cap: bool = False  # its band's fader could go no further down, as the sheet stood then
    alert: AlertTold | None = None  # None: a ring by itself

    @property
    def howl(self) -> tuple[int, int]:
        """Return what the rings of one howl have in common: run, and id of the alert."""
        return self.run, self.id if self.alert is None else self.alert.id

    @property
    def leads(self) -> bool:
        """Tell whether the howl belongs to its channel."""
        return self.alert is None or self.alert.channel == self.channel

    @property
    def onset_at(self) -> float:
        """Return what the clock on the wall said at the onset, by the line that `at` is of."""
        told_s = self.first_s if self.alarm_s is None else self.alarm_s
        return self.at + self.onset_s - told_s

    @property
    def is_alarm(self) -> bool:
        """Tell whether it was ever an alarm."""
        return self.alarm_s is not None


@dataclass(frozen=True, slots=True)
class ActStory:
    """One act of one run."""

    run: int
    name: str
    begin_s: float  # stream time
    end_s: float
    begin_at: float  # by the clock on the wall, seconds since 1970
    end_at: float


def rings_of(lines: Iterable[Line]) -> list[RingStory]:
    """Return the rings of a logbook's lines, in the order in which they began."""
    stories: dict[tuple[int, int], RingStory] = {}
    acts: dict[int, str] = {}
    alerts: dict[tuple[int, int], AlertTold] = {}
    for line in lines:
        told = act_told(line)
        if told is not None:
            acts[line.run] = told
        if line.kind != Kind.RING:
            continue
        key = (line.run, int(line.data["id"]))
        if key in stories:
            stories[key] = _gone_on(stories[key], line)
        else:
            stories[key] = _begun(line, acts.get(line.run, NO_ACT))
        alert = _alert_told(line.data)
        if alert is not None:
            stories[key] = replace(stories[key], alert=alert)
            alerts[line.run, alert.id] = alert
    # What was known at last holds for all: names are corrected while a howl goes on.
    return [replace(ring, alert=alerts.get(ring.howl)) for ring in stories.values()]


def _alert_told(data: dict[str, Any]) -> AlertTold | None:
    told = data.get("alert")
    if told is None:
        return None
    channel, name = int(told["channel"]), str(told["channel_name"])
    return AlertTold(int(told["id"]), channel, name, told["mix"])


def acts_of(lines: Iterable[Line], runs: Sequence[Run]) -> list[ActStory]:
    """Return the acts in order; a run without any is one act without a name."""
    changes: dict[int, list[tuple[Moment, str]]] = {run.id: [] for run in runs}
    ends = {run.id: (run.last_time_s, run.last_at) for run in runs}
    for line in lines:
        # A torn run's last sign of life may be a little older than its last line.
        moment = (line.time_s, line.at)
        ends[line.run] = max(ends.get(line.run, moment), moment)
        told = act_told(line)
        known = changes.get(line.run, [])
        if told is not None and (not known or known[-1][1] != told):
            known.append((moment, told))
    return [story for run in runs for story in _acts_of_run(run, changes[run.id], ends[run.id])]


def _acts_of_run(run: Run, changes: list[tuple[Moment, str]], end: Moment) -> Iterator[ActStory]:
    # What a line tells of an act may come after it began: the first holds from the start.
    begins = [(run.begin_s, run.started_at), *(moment for moment, _ in changes[1:])]
    names = [name for _, name in changes] or [NO_ACT]
    ends = [*begins[1:], max(end, begins[-1])]
    for (begin_s, begin_at), (end_s, end_at), name in zip(begins, ends, names, strict=True):
        yield ActStory(run.id, name, begin_s, end_s, begin_at, end_at)


def act_told(line: Line) -> str | None:
    """Return the act that a line names: a change of act, or whatever else says who is on."""
    if line.kind == Kind.ACT:
        return str(line.data["name"])
    told = line.data.get("act")
    return None if told is None else str(told)


def _begun(line: Line, act: str) -> RingStory:
    data = line.data
    state = str(data["state"])
    time_s = float(data["time_s"])
    onset_s = data["onset_s"]
    return RingStory(
        run=line.run,
        id=int(data["id"]),
        act=act,
        channel=int(data["channel"]),
        channel_name=str(data["channel_name"]),
        band_hz=float(data["band_hz"]),
        frequency_hz=float(data["frequency_hz"]),
        worst=state if state in WORSE else "suspect",
        onset_s=time_s if onset_s is None else float(onset_s),
        first_s=time_s,
        alarm_s=time_s if WORSE.get(state, 0) >= WORSE["ringing"] else None,
        end_s=time_s if state == "cleared" else None,
        at=line.at,
        level_dbfs=float(data["level_dbfs"]),
        growth_db_per_s=data["growth_db_per_s"],
        cut_db=data["cut_db"],
        at_cap=_at_cap(data),
    )


def _gone_on(story: RingStory, line: Line) -> RingStory:
    """Return the story with one more event in it."""
    data = line.data
    state, time_s = str(data["state"]), float(data["time_s"])
    if state == "cleared":
        return replace(story, end_s=time_s)
    if story.alarm_s is None and WORSE.get(state, 0) >= WORSE["ringing"]:
        story = replace(story, alarm_s=time_s, at=line.at)
    story = replace(
        story,
        level_dbfs=max(story.level_dbfs, float(data["level_dbfs"])),
        growth_db_per_s=_most(story.growth_db_per_s, data["growth_db_per_s"]),
        cut_db=_most(story.cut_db, data["cut_db"]),
    )
    if WORSE.get(state, 0) <= WORSE[story.worst]:
        return story
    return replace(
        story,
        worst=state,
        band_hz=float(data["band_hz"]),
        frequency_hz=float(data["frequency_hz"]),
        at_cap=_at_cap(data),
    )


def _at_cap(data: dict[str, Any]) -> bool:
    return bool(data.get("sheet_at_cap", False))  # there only where a sheet cuts the band


def _most(a: float | None, b: float | None) -> float | None:
    known = [value for value in (a, b) if value is not None]
    return max(known, default=None)
