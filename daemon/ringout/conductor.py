"""The ring-out at work: events of the loop and acts of a person in, states out to watchers.

Owns the one order in which things happen. Everything that moves the state is an entry; an entry is
journalled first, then folded into the state, then shown. Acts come from any thread and are taken in
the loop's, so that a state never changes under a reader.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from queue import Empty, Full, Queue
from typing import Protocol

from prehowl.daemon.events import RingEvent
from prehowl.daemon.ringout.acts import (
    Entry,
    Finish,
    Interrupted,
    PersonAct,
    RingGone,
    RingHeard,
    TimeUp,
)
from prehowl.daemon.ringout.journal import EntryLog
from prehowl.daemon.ringout.session import due_s, step
from prehowl.daemon.ringout.state import Phase, State
from prehowl.daemon.sinks.base import Snapshot
from prehowl.detectors.rings import RingState

MOST_WAITING = 256
"""Acts that may wait for the loop; a person cannot give so many in a tenth of a second."""


class Watcher(Protocol):
    """Somebody who wants to know every state: a screen, labels, a virtual hand."""

    def on_state(self, state: State, entry: Entry | None) -> None:
        """Take a state and what led to it (None: the first one). Must return at once."""

    def close(self) -> None:
        """End: nothing more comes."""


class Floor(Protocol):
    """Who reads the mix' noise floor, and knows how often sound was missing for long."""

    @property
    def gaps(self) -> int:
        """How many times so far."""

    def read_floor(self) -> tuple[float, ...] | None:
        """Return the floor per band, dBFS, or None if too little was heard."""

    def forget(self) -> None:
        """Begin anew."""


class Conductor:
    """A `Sink` that leads one ring-out.

    Parameters
    ----------
    state : State
        From `session.begin`, or folded from a journal.
    log : EntryLog
        Takes every entry before it counts.
    watchers : sequence of Watcher
    channel : int
        Number of the channel whose rings count, as in the events.
    floor : Floor, optional
        None: the gain won cannot be measured.
    finishes_at_end : bool
        A source that comes to its end ends the ring-out, as with a recording; else, and where
        anything else ends the loop, such as a person, it can be resumed.
    is_stopping : callable, optional
        Tells whether the loop is about to end.
    moment : callable, optional
        Returns date and time by the clock, ISO 8601, for the rings; "" where the sound is not of
        now.
    """

    def __init__(
        self,
        state: State,
        log: EntryLog,
        watchers: Sequence[Watcher] = (),
        *,
        channel: int = 1,
        floor: Floor | None = None,
        finishes_at_end: bool = False,
        is_stopping: Callable[[], bool] = lambda: False,
        moment: Callable[[], str] = lambda: "",
    ) -> None:
        self.state = state
        self._log = log
        self._watchers = list(watchers)
        self._channel = channel
        self._floor = floor
        self._finishes_at_end = finishes_at_end
        self._is_stopping, self._moment = is_stopping, moment
        self._is_over = False
        self._has_ended = False  # the source
        self._waiting: Queue[PersonAct] = Queue(MOST_WAITING)
        self._alarmed: set[int] = set()
        self._gaps = 0
        self._began_s = state.time_s  # a resumed ring-out goes on where its time stood
        self._next_id = 1 + max((ring.ring_id for ring in state.heard), default=0)

    def add(self, watcher: Watcher) -> None:
        """Add a watcher before the loop starts."""
        self._watchers.append(watcher)

    def submit(self, act: PersonAct) -> bool:
        """Take an act of a person, from any thread, at once; False if far too many wait."""
        try:
            self._waiting.put_nowait(act)
        except Full:
            return False
        return True

    def start(self) -> None:
        """Show the first state; rings of before an interruption are over.

        A recording goes on exactly where it stood, with what the hand did then, and nobody is
        there to answer: its rings are gone. Else nobody knows what was pulled meanwhile.
        """
        for watcher in self._watchers:
            watcher.on_state(self.state, None)
        if self._finishes_at_end:
            for ring in self.state.heard:
                self._take(RingGone(self.state.time_s, ring.ring_id))
        else:
            self._interrupt(self.state.time_s)

    def on_event(self, event: RingEvent) -> None:
        """Take what the engine says of the ring-out's channel."""
        if event.channel != self._channel:
            return
        now_s = self._began_s + event.time_s
        self._mind_gaps(now_s)
        self._take_acts(now_s)
        ring_id = self._offset + event.id
        if event.state is RingState.CLEARED:
            if ring_id in self._alarmed and not self._is_cut_short():
                self._alarmed.discard(ring_id)
                self._take(RingGone(now_s, ring_id))
        elif event.is_alarm:
            is_new = ring_id not in self._alarmed
            self._alarmed.add(ring_id)
            self._take(self._heard(event, now_s, ring_id, is_new=is_new))

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Take what time brings: waits that are over, acts that have come in."""
        self._has_ended = snapshot.health.source.state == "ended"
        now_s = self._began_s + snapshot.time_s
        self._mind_gaps(now_s)
        self._take_acts(now_s)
        due = due_s(self.state)
        if due is not None and now_s >= due:
            self._take(TimeUp(now_s))

    def close(self) -> None:
        """Take the last acts, then let the watchers end.

        A recording that was left half way is not finished: it would keep a sheet of the half.
        """
        if self._is_over:
            return
        self._is_over = True
        if self._finishes_at_end and self._has_ended and not self._is_finished():
            self.submit(Finish(0.0))
        self._take_acts(self.state.time_s)
        for watcher in self._watchers:
            watcher.close()

    def _mind_gaps(self, now_s: float) -> None:
        """Take note that sound was missing: what ends in the silence was not heard to stop."""
        gaps = 0 if self._floor is None else self._floor.gaps
        if gaps > self._gaps:
            self._gaps = gaps
            self._interrupt(now_s)

    def _interrupt(self, now_s: float) -> None:
        if self.state.heard or self.state.ring is not None:
            self._take(Interrupted(now_s))

    def _is_cut_short(self) -> bool:
        """Tell whether the loop's end clears the rings: nobody heard them stop.

        A recording's own end does hear them stop: what is known there is the result.
        """
        return self._is_stopping() and not (self._finishes_at_end and self._has_ended)

    @property
    def _offset(self) -> int:
        return self._next_id - 1

    def _heard(self, event: RingEvent, now_s: float, ring_id: int, *, is_new: bool) -> RingHeard:
        floor = self._floor.read_floor() if self._floor is not None and is_new else None
        return RingHeard(
            time_s=round(now_s, 3),
            ring_id=ring_id,
            frequency_hz=round(event.frequency_hz, 2),
            level_dbfs=round(event.level_dbfs, 1),
            growth_db_per_s=_rounded(event.growth_db_per_s, 1),
            margin_db=_rounded(event.margin_db, 2),
            floor_db=floor,
            at=self._moment(),
        )

    def _take_acts(self, now_s: float) -> None:
        while True:
            try:
                act = self._waiting.get_nowait()
            except Empty:
                return
            dated = replace(act, time_s=round(max(now_s, self.state.time_s), 3))
            if isinstance(dated, Finish) and self._floor is not None:
                dated = replace(dated, floor_db=self._floor.read_floor())
            self._take(dated)

    def _take(self, entry: Entry) -> None:
        if self._is_finished():
            return  # what still rings must not change the result that is shown and kept
        self._log.append(entry)
        self.state = step(self.state, entry)
        if self._floor is not None and isinstance(entry, RingGone | Interrupted):
            self._floor.forget()  # what was heard before was the ring
        for watcher in self._watchers:
            watcher.on_state(self.state, entry)

    def _is_finished(self) -> bool:
        return self.state.phase is Phase.FINISHED


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
