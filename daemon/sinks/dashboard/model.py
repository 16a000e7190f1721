"""What the dashboard knows: rings, snapshot, events, and what the person has asked for.

Knows no terminal and no clock; every call that depends on time is handed `now_s`, the reader's
own monotonic time, because holding a message is about the reader and not about the recording.
"""

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from prehowl.daemon.alerts_now import BADNESS
from prehowl.daemon.events import RingEvent
from prehowl.daemon.notes import Note
from prehowl.daemon.sinks.base import Snapshot
from prehowl.daemon.sinks.dashboard.rows import for_rows, weak_rows
from prehowl.daemon.sinks.dashboard.wording import clean, name_or_number
from prehowl.daemon.weak_bands import WeakBands
from prehowl.detectors.rings import RingState

HOLD_ALARM_S = 8.0
"""An alarm that has cleared stays readable this long: the engineer looks up late."""
HOLD_SUSPECT_S = 2.0
"""A passing suspicion stays just long enough to be read."""
TAKE_OVER_DB = 6.0
"""A ring of the same state takes the large space only when this much louder: no flicker."""
CONFIRM_S = 3.0
FRESH_LOSS_S = 60.0
"""Lost audio asks for attention this long; a count from this morning is no news."""
NOTICE_S = 5.0
"""What came of a command stands on the last line this long, where a hand looks for it."""
LOG_LENGTH = 100


@dataclass(frozen=True, slots=True)
class Held:
    """A ring that has cleared, as it was at its worst."""

    worst: RingEvent
    cleared_at_s: float  # reader's time


@dataclass(frozen=True, slots=True)
class View:
    """All that one frame shows; never changed."""

    title: str
    names: tuple[str, ...]  # by row, safe to print
    numbers: tuple[int, ...]  # channel number of each row
    weak: tuple[frozenset[int], ...]  # bands (0..30) of each row that its EQ sheet knows as weak
    snapshot: Snapshot | None
    heard_s: float | None  # when the snapshot came; None before the first
    rings: tuple[RingEvent, ...]  # all living, worst first
    focus: RingEvent | None  # the one in the large space
    quieted: frozenset[int]  # ids acknowledged in their present state
    held: tuple[Held, ...]  # newest first
    log: tuple[RingEvent | Note, ...]  # newest first
    page: int  # from 0; a page beyond the last means the last
    asked_to_quit: bool
    has_keys: bool
    has_fresh_loss: bool  # audio was lost within the last minute
    notice: Note | None = None  # what came of the newest command, while it is news
    lost: str = ""  # why nothing is known now of a daemon elsewhere

    @property
    def held_channels(self) -> frozenset[int]:
        """Return the channels whose rings are told but do not fill the large space."""
        return frozenset() if self.snapshot is None else self.snapshot.held

    @property
    def act_words(self) -> str:
        """Return which act is on, for print; '' without a running order."""
        if self.snapshot is None or self.snapshot.act is None:
            return ""
        count = f"{self.snapshot.act_number}/{self.snapshot.acts}"
        return f"act {count} {clean(self.snapshot.act)}"

    @property
    def time_s(self) -> float:
        """Stream time of the newest snapshot; 0 before the first."""
        return 0.0 if self.snapshot is None else self.snapshot.time_s

    def name_of(self, event: RingEvent) -> str:
        """Return the channel's name for print."""
        return name_or_number(event.channel_name, event.channel)


class Model:
    """The memory behind the screen. Not safe for threads: the owner holds a lock.

    Parameters
    ----------
    names : sequence of str
        Channel names in the order of the snapshots' rows; '' gives 'Ch n'.
    channel_numbers : sequence of int, optional
        Number of each row on the interface; 1, 2, 3... by default.
    title : str
        Stands at the top: the show, or the act.
    has_keys : bool
        Whether a keyboard is there to name keys for.
    weak_bands : mapping, optional
        Channel number -> what its EQ sheet says.
    """

    def __init__(
        self,
        names: Sequence[str],
        channel_numbers: Sequence[int] | None = None,
        title: str = "",
        has_keys: bool = True,
        weak_bands: Mapping[int, WeakBands] | None = None,
    ) -> None:
        numbers = tuple(channel_numbers or range(1, len(names) + 1))
        if len(numbers) != len(names):
            raise ValueError(f"{len(names)} channel names, but {len(numbers)} channel numbers")
        self.title = clean(title)
        self.has_keys = has_keys
        self.page = 0
        self.lost = ""
        self._numbers = numbers
        self._weak = weak_rows(weak_bands or {}, numbers)
        self._names = tuple(name_or_number(*pair) for pair in zip(names, numbers, strict=True))
        self._snapshot: Snapshot | None = None
        self._heard_s: float | None = None
        self._rings: dict[int, RingEvent] = {}
        self._worst: dict[int, RingEvent] = {}
        self._quieted: dict[int, RingState] = {}
        self._held: dict[int, Held] = {}
        self._log: deque[RingEvent | Note] = deque(maxlen=LOG_LENGTH)
        self._notice: tuple[Note, float] | None = None
        self._focus_id: int | None = None
        self._quit_asked_s: float | None = None
        self._lost_at_s = float("-inf")

    @property
    def numbers(self) -> tuple[int, ...]:
        """Return the channel number of each row."""
        return self._numbers

    def set_title(self, title: str) -> None:
        """Put another title at the top."""
        self.title = clean(title)

    def take_event(self, event: RingEvent, now_s: float) -> None:
        """Note that a ring has entered a state."""
        self._log.appendleft(event)
        if self._quieted.get(event.id, event.state) is not event.state:
            del self._quieted[event.id]
        if event.state is RingState.CLEARED:
            self._rings.pop(event.id, None)
            worst = self._worst.pop(event.id, None)
            if worst is not None:
                self._held[event.id] = Held(worst, now_s)
            return
        self._note_ring(event)

    def take_note(self, note: Note, now_s: float) -> None:
        """Note what was asked of the watch; an acknowledgement from elsewhere counts here too."""
        self._log.appendleft(note)
        self._notice = (note, now_s)
        if note.verb == "acknowledge" and note.done and note.by != "key":
            self.acknowledge(note.channel)

    def take_snapshot(self, snapshot: Snapshot, now_s: float) -> None:
        """Note the state of things; its rings are the whole truth about living rings."""
        if _losses(snapshot) > (0 if self._snapshot is None else _losses(self._snapshot)):
            self._lost_at_s = now_s
        self._snapshot = for_rows(snapshot, len(self._names))
        self._heard_s = now_s
        if len(snapshot.names) == len(self._numbers):
            pairs = zip(snapshot.names, self._numbers, strict=True)
            self._names = tuple(name_or_number(*pair) for pair in pairs)
        if snapshot.weak_bands is not None:
            self._weak = weak_rows(snapshot.weak_bands, self._numbers)
        self._rings = {}
        for ring in snapshot.rings:
            self._note_ring(ring)
        self._worst = {key: ring for key, ring in self._worst.items() if key in self._rings}
        self._quieted = {
            key: state
            for key, state in self._quieted.items()
            if key in self._rings and self._rings[key].state is state
        }

    def acknowledge(self, channel: int | None = None) -> None:
        """Quiet what fills the large space, or a channel, until its state changes."""
        focus = self._focus()
        if channel is not None:
            self._quieted |= {
                ring.id: ring.state for ring in self._rings.values() if ring.channel == channel
            }
        elif focus is not None:
            self._quieted[focus.id] = focus.state
        else:
            self._held.clear()

    def ask_to_quit(self, now_s: float) -> bool:
        """Return whether this is the second request within a short time: a slip must not count."""
        asked = self._quit_asked_s
        self._quit_asked_s = now_s
        return asked is not None and now_s - asked <= CONFIRM_S

    def worst_channel(self) -> int:
        """Return the channel of the message in the large space, else of the worst ring, else 0."""
        focus = self._focus()
        rings = [focus] if focus is not None else list(self._rings.values())
        return max(rings, key=_badness).channel if rings else 0

    def view(self, now_s: float) -> View:
        """Return what is to be seen now."""
        focus = self._focus()
        self._focus_id = None if focus is None else focus.id
        self._held = {k: held for k, held in self._held.items() if now_s < _held_until(held)}
        asked = self._quit_asked_s
        return View(
            title=self.title,
            names=self._names,
            numbers=self._numbers,
            weak=self._weak,
            snapshot=self._snapshot,
            heard_s=self._heard_s,
            rings=tuple(sorted(self._rings.values(), key=_badness, reverse=True)),
            focus=focus,
            quieted=frozenset(self._quieted),
            held=tuple(sorted(self._held.values(), key=_newest)),
            log=tuple(self._log),
            page=self.page,
            asked_to_quit=asked is not None and now_s - asked <= CONFIRM_S,
            has_keys=self.has_keys,
            has_fresh_loss=now_s - self._lost_at_s < FRESH_LOSS_S,
            notice=self._news(now_s),
            lost=clean(self.lost),
        )

    def _news(self, now_s: float) -> Note | None:
        if self._notice is None or now_s - self._notice[1] >= NOTICE_S:
            return None
        return self._notice[0]

    def _is_quiet(self, ring: RingEvent) -> bool:
        """Tell whether a ring is kept out of the large space; a howl breaks through a hold."""
        held = self._snapshot is not None and ring.channel in self._snapshot.held
        return ring.id in self._quieted or (held and ring.state is not RingState.HOWLING)

    def _note_ring(self, ring: RingEvent) -> None:
        self._rings[ring.id] = ring
        self._held.pop(ring.id, None)
        worst = self._worst.get(ring.id)
        if worst is None or BADNESS[ring.state] >= BADNESS[worst.state]:
            self._worst[ring.id] = ring

    def _focus(self) -> RingEvent | None:
        """Return the worst ring that is not quieted; the present one stays till beaten."""
        open_rings = [ring for ring in self._rings.values() if not self._is_quiet(ring)]
        if not open_rings:
            return None
        worst = max(open_rings, key=_badness)
        present = self._rings.get(self._focus_id) if self._focus_id is not None else None
        if present is None or self._is_quiet(present) or present.state is not worst.state:
            return worst
        return worst if worst.level_dbfs > present.level_dbfs + TAKE_OVER_DB else present


def _badness(event: RingEvent) -> tuple[int, float, float, int]:
    growth = event.growth_db_per_s
    growth = float("-inf") if growth is None else growth
    return (BADNESS[event.state], growth, event.level_dbfs, -event.id)


def _held_until(held: Held) -> float:
    return held.cleared_at_s + (HOLD_ALARM_S if held.worst.is_alarm else HOLD_SUSPECT_S)


def _newest(held: Held) -> tuple[int, float]:
    """Alarms before suspicions, then the newest first."""
    return (-BADNESS[held.worst.state], -held.cleared_at_s)


def _losses(snapshot: Snapshot) -> int:
    """Return a number that grows whenever audio was lost."""
    health = snapshot.health
    return health.source.overflows + health.source.lost_samples + health.dropped_blocks
