"""The logbook as a sink: events, health and, around every alarm, what the channel sounded like."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.events import RingEvent
from prehowl.daemon.logbook.callings import NamesDiary
from prehowl.daemon.logbook.clips import AudioMemory, RawClip, RawSpectrum, spectrum_length
from prehowl.daemon.logbook.diary import HealthDiary
from prehowl.daemon.logbook.records import Entry, Note, RunInfo, note_entry, ring_entry
from prehowl.daemon.logbook.wall_clock import WallClock
from prehowl.daemon.logbook.writer import Writer
from prehowl.daemon.rings_now import RingsNow
from prehowl.daemon.sinks.base import Snapshot

MARGIN_S = 0.25
"""What the memory holds beyond a clip: pieces come in lumps of up to 50 ms."""
MOST_OPEN = 64
"""Clips that wait for their end at one time; an alarm on every channel at once is enough."""


@dataclass(frozen=True, slots=True)
class ClipPlan:
    """Which audio is kept around an alarm."""

    is_on: bool = True
    before_s: float = 3.0
    after_s: float = 2.0
    most_mb: float = 200.0


@dataclass(frozen=True, slots=True)
class _Open:
    """A clip whose end has not been played yet."""

    event: RingEvent  # the alert: its id, and the channel that it belonged to then
    ch: int
    alarm_sample: int  # as the memory counts
    end_sample: int


class LogbookSink:
    """Writes what happens into a logbook. A `Sink`, and a taker of samples."""

    def __init__(
        self,
        path: Path,
        info: RunInfo,
        *,
        clips: ClipPlan | None = None,
        may_wait: bool = False,
        clock: WallClock | None = None,
    ) -> None:
        """Prepare; nothing is opened before `start`.

        Parameters
        ----------
        path : Path
            The file; made if there is none, gone on with if there is.
        info : RunInfo
            What this run is about; its channels are those of the samples, in their order.
        clips : ClipPlan, optional
            Which audio is kept.
        may_wait : bool
            True for recordings: rather wait for the disc than leave out a clip.
        clock : WallClock, optional
            In place of the computer's, for tests.
        """
        self._path = path
        self._plan = ClipPlan() if clips is None else clips
        self._rows = {channel.number: ch for ch, channel in enumerate(info.channels)}
        most = round(self._plan.most_mb * 1e6) if self._plan.is_on else 0
        self._writer = Writer(path, info, clip_bytes_most=most, may_wait=may_wait, clock=clock)
        self._remember_at(info.rate_hz)
        self._diary = HealthDiary()
        self._names = NamesDiary(info.channels)
        self._rings = RingsNow()
        self._open: list[_Open] = []
        self.missing = ""
        """After `close`: all that could not be written, as a line for a person; "" for nothing."""

    def start(self) -> None:
        """Open or make the file; see `Writer.start` for what is raised."""
        self._writer.start()

    def on_samples(self, samples: NDArray[np.float32]) -> None:
        """Remember samples (samples, channels); finish the clips that have become whole."""
        self._memory.feed(samples)
        if self._open and self._memory.fed >= self._open[0].end_sample:
            self._finish(self._memory.fed)

    def on_rate(self, rate_hz: int) -> None:
        """Finish open clips with what there is; those to come are of the new rate."""
        self._finish(None)
        self._remember_at(rate_hz)
        self._writer.at_rate(rate_hz)

    def on_event(self, event: RingEvent) -> None:
        """Keep the event; where it makes its alert an alarm, a spectrum, and begin a clip."""
        self._writer.put(ring_entry(event))
        news = self._rings.take(event)
        if news is not None and news.announces:
            ch = self._rows.get(news.alert.channel)
            if ch is not None:
                self._look_back(news.alert, ch)

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Keep what has changed in the daemon's health, and in what the channels are called."""
        self._writer.at_time(snapshot.time_s)
        if (renamed := self._names.change(snapshot)) is not None:
            self._writer.put(renamed)
        for change in self._diary.changes(snapshot.time_s, snapshot.health):
            self._writer.put(change.entry(snapshot.time_s))

    def on_note(self, note: Note) -> None:
        """Keep what people did: acts, acknowledgements, whatever has a record."""
        self._writer.put(note_entry(note))

    def keep(self, entry: Entry) -> None:
        """Keep an entry of any kind. From any thread, at once."""
        self._writer.put(entry)

    def trouble(self) -> str:
        """Return what is wrong with the logbook, for a person; "" while all is well."""
        return self._writer.trouble()

    def close(self) -> None:
        """Finish open clips with what there is, write all, within a second."""
        self._finish(None)
        self._writer.close()
        if missing := self._writer.missing():
            why = f" to {self._path}: {self._writer.why}" if self._writer.why else ""
            self.missing = f"{missing} of the logbook could not be written{why}"

    def _remember_at(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._spectrum_length = spectrum_length(rate_hz)
        span_s = self._plan.before_s + self._plan.after_s if self._plan.is_on else 0.0
        length = max(self._spectrum_length, round((span_s + MARGIN_S) * rate_hz))
        self._memory = AudioMemory(len(self._rows), length)

    def _look_back(self, event: RingEvent, ch: int) -> None:
        now = self._memory.fed
        window = self._memory.cut(ch, now - self._spectrum_length, now)
        if len(window) == self._spectrum_length:
            place = (event.id, event.channel, event.time_s)
            self._writer.put(RawSpectrum(*place, self._rate_hz, window))
        if not self._plan.is_on:
            return
        if len(self._open) >= MOST_OPEN:
            self._writer.leave_out_clip()
            return
        end = now + round(self._plan.after_s * self._rate_hz)
        self._open.append(_Open(event, ch, now, end))

    def _finish(self, up_to: int | None) -> None:
        """Hand over the clips that end by sample `up_to`; None: all of them, as they are."""
        due = [clip for clip in self._open if up_to is None or clip.end_sample <= up_to]
        self._open = self._open[len(due) :]
        for clip in due:
            first = max(0, clip.alarm_sample - round(self._plan.before_s * self._rate_hz))
            samples = self._memory.cut(clip.ch, first, clip.end_sample)
            if len(samples):
                place = (clip.event.id, clip.event.channel, clip.event.time_s)
                at = clip.alarm_sample - first
                self._writer.put(RawClip(*place, at, self._rate_hz, samples))
