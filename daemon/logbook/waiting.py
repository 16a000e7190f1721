"""What waits to be written: bounded queues that count what they had to give up.

Any thread puts something in, one takes it out once it is written; how long that one leaves a disc
alone that does not take it is here as well.
"""

import threading
import time
from collections import deque
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Generic, TypeVar

from prehowl.daemon.logbook.clips import RawClip, RawSpectrum
from prehowl.daemon.logbook.records import Entry

MOST_ENTRIES = 20_000
"""Some 15 MB: a whole day of events while a disc is full."""
MOST_CLIPS = 32
"""Half a megabyte each at most; the first to be given up."""
MOST_SPECTRA = 512
"""16 kB each at 48 kHz, before they are measured."""
RETRY_FIRST_S = 0.5
RETRY_LONGEST_S = 10.0

T = TypeVar("T")


@dataclass(slots=True)
class Queue(Generic[T]):
    """Items, each with when it came (seconds since 1970), oldest first. Its user has the lock."""

    one: str  # what an item is called
    many: str
    most: int
    kept: deque[tuple[float, T]] = field(default_factory=deque)
    lost: int = 0  # given up so far
    told: int = 0  # of these, told already

    @property
    def is_full(self) -> bool:
        """Tell whether a further item would push out the oldest."""
        return len(self.kept) >= self.most

    def put(self, item: T) -> None:
        """Append an item that comes now; give up the oldest where there is no room."""
        if self.is_full:
            self.kept.popleft()
            self.lost += 1
        self.kept.append((time.time(), item))

    def words(self, count: int) -> list[str]:
        """Return a count with what it counts, nothing for none."""
        return [f"{count} {self.one if count == 1 else self.many}"] if count else []


class Rest:
    """When to try a disc again that failed: later each time. Used by one thread."""

    def __init__(self) -> None:
        self.until_s = 0.0  # monotonic
        self._next_s = RETRY_FIRST_S

    def begin(self, now_s: float) -> None:
        """Leave it alone from now on, for a while."""
        self.until_s = now_s + self._next_s
        self._next_s = min(2 * self._next_s, RETRY_LONGEST_S)

    def over(self) -> None:
        """Note that it takes what it is given."""
        self._next_s = RETRY_FIRST_S


class Backlog:
    """The queues of a logbook: entries, spectra, clips. From any thread."""

    def __init__(self) -> None:
        self.news = threading.Condition()
        self.entries: Queue[Entry] = Queue("entry", "entries", MOST_ENTRIES)
        self.spectra: Queue[RawSpectrum] = Queue("spectrum", "spectra", MOST_SPECTRA)
        self.clips: Queue[RawClip] = Queue("clip", "clips", MOST_CLIPS)
        self.why_spoilt = ""  # of what was last found to be impossible to write

    def __bool__(self) -> bool:
        """Tell whether anything waits."""
        return any(queue.kept for queue in self._queues())

    def put(self, item: Entry | RawClip | RawSpectrum, may_wait: Callable[[], bool]) -> None:
        """Append something; of audio, wait for room as long as `may_wait` says so."""
        with self.news:
            if isinstance(item, Entry):
                self.entries.put(item)
            elif isinstance(item, RawClip):
                self._wait_for_room(self.clips, may_wait)
                self.clips.put(item)
            else:
                self._wait_for_room(self.spectra, may_wait)
                self.spectra.put(item)
            self.news.notify_all()

    def leave_out(self, queue: Queue[Any]) -> None:
        """Count an item of a queue that never came into it."""
        with self.news:
            queue.lost += 1

    def all(self, queue: Queue[T]) -> list[tuple[float, T]]:
        """Return all that waits in a queue."""
        with self.news:
            return list(queue.kept)

    def done(
        self, queue: Queue[T], items: Sequence[tuple[float, T]], spoilt: Collection[int] = ()
    ) -> None:
        """Take out the oldest items of a queue, which are written; those at `spoilt` are lost.

        Some may have been given up meanwhile, and are counted already.
        """
        with self.news:
            for place, item in enumerate(items):
                if queue.kept and queue.kept[0] is item:
                    queue.kept.popleft()
                    queue.lost += place in spoilt
            self.news.notify_all()

    def untold(self) -> tuple[int, ...]:
        """Return how many of each queue were lost and are not told yet."""
        with self.news:
            return tuple(queue.lost - queue.told for queue in self._queues())

    def tell(self, counts: Sequence[int]) -> None:
        """Note that so many of each queue have been told."""
        with self.news:
            for queue, count in zip(self._queues(), counts, strict=True):
                queue.told += count

    def words(self, counts: Iterable[int]) -> str:
        """Return '1 entry, 3 spectra and 2 clips', "" for nothing."""
        queues = zip(self._queues(), counts, strict=True)
        parts = [part for queue, count in queues for part in queue.words(count)]
        *front, last = parts or [""]
        return f"{', '.join(front)} and {last}" if front else last

    def missing(self) -> tuple[int, ...]:
        """Return how many of each queue are lost or still wait."""
        with self.news:
            return tuple(queue.lost + len(queue.kept) for queue in self._queues())

    def _queues(self) -> tuple[Queue[Any], ...]:
        return self.entries, self.spectra, self.clips

    def _wait_for_room(self, queue: Queue[Any], may_wait: Callable[[], bool]) -> None:
        while queue.is_full and may_wait():
            self.news.wait(0.1)
