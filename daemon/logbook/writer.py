"""The logbook's own thread: bounded queues in, transactions out; a full disc is waited for.

Nothing here can hold up the loop. What cannot be written stays in memory, within bounds, and is
written when the disc takes it again; what had to be given up is counted and told, in the logbook
too. Entries go first, audio in a transaction after them: a nearly full disc still takes words.
"""

import sqlite3
import threading
import time
from collections import deque
from dataclasses import replace
from pathlib import Path

from prehowl.daemon.errors import OutputError
from prehowl.daemon.logbook.clips import RawClip, RawSpectrum
from prehowl.daemon.logbook.records import Clip, Entry, HealthChange, RunInfo, Spectrum
from prehowl.daemon.logbook.store import DamagedError, Store, open_store, set_aside
from prehowl.daemon.logbook.wall_clock import WallClock

MOST_ENTRIES = 20_000
"""Some 15 MB: a whole day of events while a disc is full."""
MOST_AUDIO = 32
"""Clips and spectra that wait, half a megabyte each at most; the first to be given up."""
LIFE_S = 0.5
"""A sign of life at least so often, so that a torn run is known to the second."""
RETRY_FIRST_S = 0.5
RETRY_LONGEST_S = 10.0
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
        self.lost = 0  # entries given up
        self._path, self._info = path, info
        self._clip_bytes_most = clip_bytes_most
        self._may_wait = may_wait
        self._clock = WallClock() if clock is None else clock
        self._store: Store | None = None
        self._news = threading.Condition()
        self._entries: deque[tuple[float, Entry]] = deque()
        self._raw: deque[tuple[float, RawClip | RawSpectrum]] = deque()
        self._audio: deque[tuple[float, Clip | Spectrum]] = deque(maxlen=MOST_AUDIO)
        self._time_s = 0.0
        self._is_closing = False
        self._fault = ""
        self._note = ""
        self._are_clips_full = False
        self._pause_s = RETRY_FIRST_S
        self._retry_at_s = 0.0
        self._alive_at_s = 0.0
        self._told_lost = 0
        self._thread = threading.Thread(target=self._run, name="logbook", daemon=True)

    def start(self) -> None:
        """Open the file and start the thread.

        A disc that is full already is no reason not to watch: then the thread tries on.

        Raises
        ------
        OutputError
            If the file cannot be written for a reason that only a person can mend.
        """
        try:
            self._open()
        except sqlite3.Error as fault:
            self._fail(fault)
        self._thread.start()

    def put(self, item: Entry | RawClip | RawSpectrum) -> None:
        """Queue something; returns at once unless `may_wait`."""
        with self._news:
            if isinstance(item, Entry):
                self._entries.append((time.time(), item))
                if len(self._entries) > MOST_ENTRIES:
                    self._entries.popleft()
                    self.lost += 1
            else:
                while self._may_wait and len(self._raw) >= MOST_AUDIO and self._is_writing():
                    self._news.wait(0.1)
                self._raw.append((time.time(), item))
                if len(self._raw) > MOST_AUDIO:
                    self._raw.popleft()
            self._news.notify_all()

    def at_time(self, time_s: float) -> None:
        """Note how far the stream has come, for the sign of life."""
        self._time_s = time_s

    def at_rate(self, rate_hz: int) -> None:
        """Note at which rate the run goes on; written with what comes next."""
        self._info = replace(self._info, rate_hz=rate_hz)

    def trouble(self) -> str:
        """Return what is wrong with the logbook, for a person; "" while all is well."""
        return self._fault or self._note

    def close(self) -> int:
        """Write what is pending, live within a second; return how many entries are lost."""
        with self._news:
            self._is_closing = True
            self._news.notify_all()
        if self._thread.ident is not None:
            self._thread.join(WAITING_PATIENCE_S if self._may_wait else CLOSE_PATIENCE_S)
        return self.lost + len(self._entries)

    def _is_writing(self) -> bool:
        return self._thread.is_alive() and not self._fault

    def _run(self) -> None:
        while self._wait():
            self._work()
        for _ in range(2):  # the second for a file that proves damaged at the first
            self._work()
        if self._store is not None:
            self._end(self._store)

    def _wait(self) -> bool:
        """Return when there is work: news, a sign of life, a retry; False when closing."""
        with self._news:
            now_s = time.monotonic()
            if self._is_closing:
                return False
            if now_s < self._retry_at_s:
                self._news.wait_for(lambda: self._is_closing, self._retry_at_s - now_s)
            elif not self._entries and not self._raw:
                self._news.wait(LIFE_S)
            return not self._is_closing

    def _work(self) -> None:
        """Encode and write what there is."""
        self._encode()
        if not self._entries and not self._audio and not self._is_life_due():
            return
        try:
            if self._store is None or self._store.is_gone():
                self._open()
            assert self._store is not None
            self._write(self._store)
        except DamagedError as fault:
            self._begin_anew(fault)
        except (sqlite3.Error, OutputError) as fault:
            self._fail(fault)

    def _is_life_due(self) -> bool:
        return self._is_closing or time.monotonic() - self._alive_at_s >= LIFE_S

    def _encode(self) -> None:
        with self._news:
            raw = list(self._raw)
            self._raw.clear()
            self._news.notify_all()
        for at, item in raw:
            if self._are_clips_full and isinstance(item, RawClip):
                continue  # it would be encoded for nothing, on a machine that has other work
            made = item.measured() if isinstance(item, RawSpectrum) else item.encoded()
            self._audio.append((at, made))

    def _open(self) -> None:
        if self._store is not None:
            self._store.close()
            self._store = None
            self._remember(f"{self._path} was taken away; a new one is begun")
        self._store, note = open_store(self._path, self._info)
        self._are_clips_full = False
        if note:
            self._note = note
            self._remember(note)

    def _write(self, store: Store) -> None:
        self._tell_what_was_lost()
        if step := self._clock.step():
            self._remember(step)
        if store.rate_hz != self._info.rate_hz:
            store.run_at(self._info.rate_hz)
        with self._news:
            entries = list(self._entries)
        store.write(entries, time.time(), self._time_s)
        with self._news:
            # While it was written, `put` may have given up some of the oldest.
            for written in entries:
                if self._entries and self._entries[0] is written:
                    self._entries.popleft()
        self._leave_out_clips(store)
        if self._audio:
            store.write(self._audio, time.time(), self._time_s)
            self._audio.clear()
        self._alive_at_s = time.monotonic()
        self._pause_s = RETRY_FIRST_S
        if self._fault:
            self._fault = ""
            self._remember("the logbook can be written again", is_well=True)

    def _leave_out_clips(self, store: Store) -> None:
        """Drop the clips that go beyond the size that was allowed."""
        room = self._clip_bytes_most - store.clip_bytes
        kept: list[tuple[float, Clip | Spectrum]] = []
        for at, item in self._audio:
            room -= len(item.flac) if isinstance(item, Clip) else 0
            if isinstance(item, Spectrum) or room >= 0:
                kept.append((at, item))
            elif not self._are_clips_full:
                self._are_clips_full = True
                most = self._clip_bytes_most / 1e6
                self._remember(f"clips have reached {most:g} MB; no further ones are kept")
        self._audio = deque(kept, maxlen=MOST_AUDIO)

    def _tell_what_was_lost(self) -> None:
        if self.lost > self._told_lost:
            lost, self._told_lost = self.lost - self._told_lost, self.lost
            self._remember(f"{lost} entries from before this could not be kept")

    def _remember(self, text: str, *, is_well: bool = False) -> None:
        self.put(HealthChange("logbook", text, is_well).entry(self._time_s))

    def _fail(self, fault: Exception) -> None:
        """Say so, keep what there is, and leave the disc alone for a while."""
        is_first = not self._fault
        self._fault = f"logbook not written ({fault}); the watch goes on, trying again"
        if is_first:
            self._remember(self._fault)
        self._retry_at_s = time.monotonic() + self._pause_s
        self._pause_s = min(2 * self._pause_s, RETRY_LONGEST_S)

    def _begin_anew(self, fault: DamagedError) -> None:
        """Set a file aside that was damaged while it was written."""
        if self._store is not None:
            self._store.close()
            self._store = None
        aside = set_aside(self._path)
        self._note = f"logbook {self._path} was damaged ({fault}); set aside as {aside.name}"
        self._remember(self._note)

    def _end(self, store: Store) -> None:
        try:
            if not self._entries:
                store.end()
        except sqlite3.Error as fault:
            self._fault = f"logbook not written ({fault})"
        finally:
            store.close()
