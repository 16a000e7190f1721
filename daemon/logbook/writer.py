"""The logbook's own thread: bounded queues in, transactions out; a full disc is waited for.

Nothing here can hold up the loop, and nothing that goes wrong ends the thread. What cannot be
written stays in memory, within bounds, and is written when the disc takes it again; what had to be
given up is counted and told, in the logbook too. Entries go first, then spectra, then clips, each
of these in a transaction of its own: a nearly full disc still takes words.
"""

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from prehowl.daemon.errors import OutputError
from prehowl.daemon.logbook.clips import RawClip, RawSpectrum
from prehowl.daemon.logbook.records import (
    BEGUN_ANEW,
    Clip,
    Entry,
    HealthChange,
    RunInfo,
    entry_row,
)
from prehowl.daemon.logbook.store import (
    DamagedError,
    Item,
    Store,
    fault_words,
    open_store,
    set_aside,
)
from prehowl.daemon.logbook.waiting import Backlog, Queue, Rest, T
from prehowl.daemon.logbook.wall_clock import WallClock

LIFE_S = 0.5
"""A sign of life at least so often, so that a torn run is known to the second."""
CLOSE_PATIENCE_S = 0.9
WAITING_PATIENCE_S = 30.0
"""Where nobody is kept from a show by it: a recording's clips may all be encoded first."""


class Writer:
    """Takes entries and raw audio from any thread, writes them from its own."""

    def __init__(
        self,
        path: Path,
        info: RunInfo,
        *,
        clip_bytes_most: int,
        may_wait: bool = False,
        clock: WallClock | None = None,
    ) -> None:
        """Prepare; nothing is opened before `start`.

        Parameters
        ----------
        path : Path
            The logbook.
        info : RunInfo
            What this run is about.
        clip_bytes_most : int
            Clips of all runs in the file together; further ones are left out.
        may_wait : bool
            True lets `put` wait for room: for recordings, which can wait; never live.
        clock : WallClock, optional
            Whose steps are noted.
        """
        self._path, self._info = path, info
        self._clip_bytes_most = clip_bytes_most
        self._may_wait = may_wait
        self._clock = WallClock() if clock is None else clock
        self._store: Store | None = None
        self._backlog = Backlog()
        self._time_s = 0.0
        self._is_closing = False
        self.why = ""  # nothing can be written now; "" while it can
        self._note = ""
        self._why_anew = ""  # another run in the middle of this one is to be begun
        self._are_clips_full = False
        self._rest = Rest()
        self._alive_at_s = 0.0
        self._thread = threading.Thread(target=self._run, name="logbook", daemon=True)

    def start(self) -> None:
        """Open the file and start the thread.

        A disc that is full already, or fails, is no reason not to watch: then the thread tries on.

        Raises
        ------
        OutputError
            If the file cannot be written for a reason that only a person can mend.
        """
        try:
            self._open()
        except OutputError:
            raise
        except Exception as fault:
            self._fail(fault)
        self._thread.start()

    def put(self, item: Entry | RawClip | RawSpectrum) -> None:
        """Queue something; returns at once unless `may_wait`."""
        self._backlog.put(item, self._may_wait_now)

    def leave_out_clip(self) -> None:
        """Count a clip that was not even begun; told like all that could not be kept."""
        self._backlog.leave_out(self._backlog.clips)

    def at_time(self, time_s: float) -> None:
        """Note how far the stream has come, for the sign of life."""
        self._time_s = time_s

    def at_rate(self, rate_hz: int) -> None:
        """Note at which rate the run goes on; written with what comes next."""
        self._info = replace(self._info, rate_hz=rate_hz)

    def trouble(self) -> str:
        """Return what is wrong with the logbook, for a person; "" while all is well."""
        has_begun = self._thread.ident is not None
        if has_begun and not self._is_closing and not self._thread.is_alive():
            return "logbook no longer written (its writer has ended); the watch goes on"
        told = f"logbook not written ({self.why}); the watch goes on, trying again"
        return told if self.why else self._note

    def close(self) -> None:
        """Write what is pending, live within a second; `missing` tells what is lost."""
        with self._backlog.news:
            self._is_closing = True
            self._backlog.news.notify_all()
        if self._thread.ident is not None:
            self._thread.join(WAITING_PATIENCE_S if self._may_wait else CLOSE_PATIENCE_S)

    def missing(self) -> str:
        """Return, after `close`, all that could not be written, in words; "" for nothing."""
        return self._backlog.words(self._backlog.missing())

    def _may_wait_now(self) -> bool:
        return self._may_wait and self._thread.is_alive() and not self.why

    def _run(self) -> None:
        while self._wait():
            self._work()
        for _ in range(2):  # the second for a file that proves damaged at the first
            self._work()
        if self._store is not None:
            self._end(self._store)

    def _wait(self) -> bool:
        """Return when there is work: news, a sign of life, a retry; False when closing."""
        news = self._backlog.news
        with news:
            now_s = time.monotonic()
            if self._is_closing:
                return False
            if now_s < self._rest.until_s:
                news.wait_for(lambda: self._is_closing, self._rest.until_s - now_s)
            elif not self._backlog:
                news.wait(LIFE_S)
            return not self._is_closing

    def _work(self) -> None:
        """Write what there is; whatever goes wrong is told and tried again, and ends no thread."""
        try:
            try:
                self._write_what_waits()
            except DamagedError as fault:
                self._begin_anew(fault)
        except Exception as fault:
            self._fail(fault)

    def _write_what_waits(self) -> None:
        if not self._backlog and not self._is_life_due():
            return
        if self._store is None or self._store.is_gone():
            self._open()
        assert self._store is not None
        self._write(self._store)

    def _is_life_due(self) -> bool:
        return self._is_closing or time.monotonic() - self._alive_at_s >= LIFE_S

    def _open(self) -> None:
        if self._store is not None:
            self._let_go(f"{self._path} was taken away; a new one is begun")
        self._store, note = open_store(self._path, self._info)
        self._are_clips_full = False
        self._note = note or self._note
        if why := note or self._why_anew:
            self._why_anew = ""
            self._put_health(why, **{BEGUN_ANEW: True})

    def _let_go(self, why: str) -> None:
        """Close the store; what comes is another run, whatever file it will be in."""
        self._why_anew = why
        if self._store is not None:
            self._store.close()
            self._store = None

    def _write(self, store: Store) -> None:
        if step := self._clock.step():
            self._put_health(step)
        if store.rate_hz != self._info.rate_hz:
            store.run_at(self._info.rate_hz)
        waiting = self._backlog
        # Those of now: what comes meanwhile has its entry only in the next round.
        spectra, clips = waiting.all(waiting.spectra), waiting.all(waiting.clips)
        self._write_entries(store)
        for spectrum in spectra:
            self._write_some(store, waiting.spectra, [spectrum], RawSpectrum.measured)
        for clip in clips:
            self._write_some(store, waiting.clips, [clip], self._clip_if_wanted)
        self._alive_at_s = time.monotonic()
        self._rest.over()
        if self.why:
            self.why = ""
            self._put_health("the logbook can be written again", is_well=True)

    def _write_entries(self, store: Store) -> None:
        """Write all that wait, and before them what was lost: told where it is sure to be kept."""
        waiting, lost = self._backlog, self._backlog.untold()
        why = waiting.why_spoilt
        told: list[tuple[float, Item]] = []
        if words := waiting.words(lost):
            because = f" ({why})" if why else ""
            entry = self._health(f"{words} from before this could not be kept{because}")
            told.append((time.time(), entry_row(entry)))
        self._write_some(store, waiting.entries, waiting.all(waiting.entries), entry_row, told)
        waiting.tell(lost)
        if waiting.why_spoilt == why:
            waiting.why_spoilt = ""

    def _write_some(
        self,
        store: Store,
        queue: Queue[T],
        items: Sequence[tuple[float, T]],
        make: Callable[[T], Item | None],
        before: Sequence[tuple[float, Item]] = (),
    ) -> None:
        """Write the oldest items of a queue in one transaction, and a sign of life.

        What `make` cannot encode is given up: it would stand in the way of all others for ever.
        """
        ready, spoilt = list(before), set()
        for place, (at, item) in enumerate(items):
            try:
                made = make(item)
            except Exception as fault:
                spoilt.add(place)
                self._backlog.why_spoilt = f"{queue.one}: {fault_words(fault)}"
            else:
                ready += [] if made is None else [(at, made)]
        store.write(ready, time.time(), self._time_s)
        self._backlog.done(queue, items, spoilt)

    def _clip_if_wanted(self, raw: RawClip) -> Clip | None:
        """Encode a clip; None where it goes beyond the size that was allowed."""
        if self._are_clips_full or self._store is None:
            return None  # it would be encoded for nothing, on a machine that has other work
        clip = raw.encoded()
        if self._store.clip_bytes + len(clip.flac) <= self._clip_bytes_most:
            return clip
        self._are_clips_full = True
        most = self._clip_bytes_most / 1e6
        self._put_health(f"clips have reached {most:g} MB; no further ones are kept")
        return None

    def _put_health(self, text: str, *, is_well: bool = False, **more: bool) -> None:
        self.put(self._health(text, is_well=is_well, **more))

    def _health(self, text: str, *, is_well: bool = False, **more: bool) -> Entry:
        entry = HealthChange("logbook", text, is_well).entry(self._time_s)
        return replace(entry, data={**entry.data, **more})

    def _fail(self, fault: Exception) -> None:
        """Say so, keep what there is, and leave the disc alone for a while."""
        is_first, self.why = not self.why, fault_words(fault)
        if is_first:
            self._put_health(self.trouble())
        self._rest.begin(time.monotonic())

    def _begin_anew(self, fault: DamagedError) -> None:
        """Set a file aside that was damaged while it was written."""
        self._let_go(f"{self._path} was damaged ({fault})")
        aside = set_aside(self._path)
        self._note = f"logbook {self._path} was damaged ({fault}); set aside as {aside.name}"
        self._why_anew = self._note

    def _end(self, store: Store) -> None:
        try:
            if not self._backlog.entries.kept:
                store.end()
        except Exception as fault:
            self.why = fault_words(fault)
        finally:
            store.close()
