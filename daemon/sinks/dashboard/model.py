"""What the dashboard knows: rings, snapshot, events, and what the person has asked for.

Knows no terminal and no clock; every call that depends on time is handed `now_s`, the reader's
own monotonic time, because holding a message is about the reader and not about the recording.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from prehowl.daemon.alerts_now import BADNESS, AlertsNow, worst_first
from prehowl.daemon.events import RingEvent
from prehowl.daemon.notes import Note
from prehowl.daemon.sinks.base import Snapshot
from prehowl.daemon.sinks.dashboard.log import ScreenLog
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


@dataclass(frozen=True, slots=True)
class Held:
    """An alert that has cleared, as it was at its worst."""

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
    rings: tuple[RingEvent, ...]  # all living ones of all channels, worst first
    alerts: tuple[RingEvent, ...]  # the howls that they are, one event each, worst first
    focus: RingEvent | None  # the alert in the large space
    quieted: frozenset[int]  # ids of alerts acknowledged in their present state
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

    def heard_on(self, alert: RingEvent) -> int:
        """Return how many channels ring with an alert now."""
        return len({ring.channel for ring in self.rings if ring.alert_id == alert.id})

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
        self._alerts = AlertsNow()
        # By id of an alert, like all that follows.
        self._worst: dict[int, RingEvent] = {}
        self._quieted: dict[int, RingState] = {}
        self._held: dict[int, Held] = {}
        self._log = ScreenLog()
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
        if event.state is RingState.CLEARED:
            self._rings.pop(event.id, None)
        else:
            self._rings[event.id] = event
        news = self._alerts.take(event)
        if news is not None:
            self._take_alert(news.alert, now_s)

    def _take_alert(self, alert: RingEvent, now_s: float) -> None:
        self._log.alert(alert)
        if self._quieted.get(alert.id, alert.state) is not alert.state:
            del self._quieted[alert.id]
        if alert.state is not RingState.CLEARED:
            self._note_alert(alert)
            return
        worst = self._worst.pop(alert.id, None)
        if worst is not None:
            self._held[alert.id] = Held(worst, now_s)

    def take_note(self, note: Note, now_s: float) -> None:
        """Note what was asked of the watch; an acknowledgement from elsewhere counts here too."""
        self._log.note(note)
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
        self._rings = {ring.id: ring for ring in snapshot.rings}
        self._alerts.follow(snapshot.rings)
        living = {alert.id: alert for alert in self._alerts.worst_first()}
        for alert in living.values():
            self._note_alert(alert)
        self._worst = {key: alert for key, alert in self._worst.items() if key in living}
        self._quieted = {
            key: state
            for key, state in self._quieted.items()
            if key in living and living[key].state is state
        }

    def acknowledge(self, channel: int | None = None) -> None:
        """Quiet what fills the large space, or a channel, until its state changes."""
        focus = self._focus()
        if channel is not None:
            self._quieted |= {
                alert.id: alert.state
                for alert in self._alerts.worst_first()
                if alert.concerns((channel,))
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
        alerts = self._alerts.worst_first() if focus is None else (focus,)
        return alerts[0].channel if alerts else 0

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
            rings=worst_first(self._rings.values()),
            alerts=self._alerts.worst_first(),
            focus=focus,
            quieted=frozenset(self._quieted),
            held=tuple(sorted(self._held.values(), key=_newest)),
            log=self._log.lines(),
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

    def _is_quiet(self, alert: RingEvent) -> bool:
        """Tell whether it is kept out of the large space; a howl breaks through a hold."""
        held = self._snapshot is not None and alert.concerns(self._snapshot.held)
        return alert.id in self._quieted or (held and alert.state is not RingState.HOWLING)

    def _note_alert(self, alert: RingEvent) -> None:
        self._held.pop(alert.id, None)
        worst = self._worst.get(alert.id)
        if worst is None or BADNESS[alert.state] >= BADNESS[worst.state]:
            self._worst[alert.id] = alert

    def _focus(self) -> RingEvent | None:
        """Return the worst alert that is not quieted; the present one stays till beaten."""
        alerts = [alert for alert in self._alerts.worst_first() if not self._is_quiet(alert)]
        if not alerts:
            return None
        worst = alerts[0]
        present = next((alert for alert in alerts if alert.id == self._focus_id), None)
        if present is None or present.state is not worst.state:
            return worst
        return worst if worst.level_dbfs > present.level_dbfs + TAKE_OVER_DB else present


def _held_until(held: Held) -> float:
    return held.cleared_at_s + (HOLD_ALARM_S if held.worst.is_alarm else HOLD_SUSPECT_S)


def _newest(held: Held) -> tuple[int, float]:
    """Alarms before suspicions, then the newest first."""
    return (-BADNESS[held.worst.state], -held.cleared_at_s)


def _losses(snapshot: Snapshot) -> int:
    """Return a number that grows whenever audio was lost."""
    health = snapshot.health
    return health.source.overflows + health.source.lost_samples + health.dropped_blocks
