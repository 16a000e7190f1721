"""What the ring-out screen knows, and what each key means at the moment it is pressed.

Knows no terminal, no thread and no clock; the reader's monotonic time is handed in as `now_s`.
"""

from dataclasses import dataclass

from prehowl.daemon.ringout import acts
from prehowl.daemon.ringout.hearing import SILENT_DBFS, Deaf, deaf_to
from prehowl.daemon.ringout.state import Phase, State
from prehowl.daemon.sinks.base import Health, Snapshot
from prehowl.daemon.sinks.dashboard.model import FRESH_LOSS_S
from prehowl.daemon.sinks.ringout.draft import Draft, begin, edited

CONFIRM_S = 3.0
"""So long the second press of `f` or `q` may take."""
SETTLE_S = 0.5
"""A key that answers an instruction counts from half a second after it came up: a hand that was on
its way to answer the one before must not confirm this one unread (our choice)."""
GAIN_STEP_DB = 1.0
FIGURES = (*"0123456789", ".")
LONGEST = 4  # characters of a typed gain: '10.5'
MOST_DB = 40.0
"""More gain than that nobody wins: a slip of a finger."""
STALE_S = 2.0
"""As on the dashboard: so long without a snapshot means that nobody listens."""
UNHIDDEN = ("gain_up", "gain_down", "won")
"""What may be said while an instruction is hidden: it is no answer to one, and is shown at once."""


@dataclass(frozen=True, slots=True)
class View:
    """All that one frame shows; never changed."""

    title: str
    state: State | None  # None before the first
    draft: Draft
    level_dbfs: float
    time_s: float  # of the ring-out, also over interruptions
    heard_s: float | None  # when the last snapshot came, reader's time
    health: Health | None
    channel: str  # its name; "" where nobody told
    deaf: Deaf | None  # why nothing is heard
    has_fresh_loss: bool  # audio was lost within the last minute
    notes: tuple[str, ...]
    troubles: tuple[str, ...]
    asked: str  # 'finish' or 'quit' after its first press
    typed: str | None  # the gain won, as far as it has been typed; None: it is not being typed
    has_keys: bool


class Model:
    """The memory behind the screen. Not safe for threads: the owner holds a lock.

    Parameters
    ----------
    title : str
        Mix, monitor and microphone, for the top line.
    row : int
        The channel's row in the snapshots.
    """

    def __init__(self, title: str, row: int) -> None:
        self.has_keys = True
        self.state: State | None = None
        self._began_s = 0.0  # a resumed ring-out goes on where its time stood
        self._title, self._row = title, row
        self._draft = begin(())
        self._changed_s = float("-inf")
        self._snapshot: Snapshot | None = None
        self._heard_s: float | None = None
        self._lost, self._lost_at_s = 0, float("-inf")
        self._notes: tuple[str, ...] = ()
        self._troubles: tuple[str, ...] = ()
        self._asked: tuple[str, float] = ("", float("-inf"))
        self._typed: str | None = None

    def take_state(self, state: State, now_s: float) -> None:
        """Take what is known now; a new instruction begins a new draft."""
        before = self.state
        self.state = state
        if before is None:
            self._began_s = state.time_s
        if before is None or (before.phase, before.pulls) != (state.phase, state.pulls):
            self._draft = begin(state.pulls)
            self._changed_s = now_s
            self._typed = None
            self._asked = ("", float("-inf"))

    def take_snapshot(self, snapshot: Snapshot, now_s: float) -> None:
        """Take level, time and health.

        An instruction that was hidden comes up anew, and takes no answer before it can be read.
        """
        if self._is_hidden(now_s):
            self._changed_s = now_s
        source = snapshot.health.source
        lost = source.overflows + source.lost_samples + snapshot.health.dropped_blocks
        if lost > self._lost:
            self._lost, self._lost_at_s = lost, now_s
        self._snapshot, self._heard_s = snapshot, now_s

    def note(self, text: str) -> None:
        """Add a line to the summary."""
        self._notes += (text,)

    def note_trouble(self, text: str) -> None:
        """Add a line of a trouble to the summary."""
        self._troubles += (text,)

    def view(self, now_s: float) -> View:
        """Return what to draw."""
        snapshot = self._snapshot
        names = snapshot.names if snapshot else ()
        return View(
            title=self._title,
            state=self.state,
            draft=self._draft,
            level_dbfs=self._level_dbfs(),
            time_s=self._began_s + (snapshot.time_s if snapshot else 0.0),
            heard_s=self._heard_s,
            health=snapshot.health if snapshot else None,
            channel=names[self._row] if self._row < len(names) else "",
            deaf=self._deaf(now_s),
            has_fresh_loss=now_s - self._lost_at_s < FRESH_LOSS_S,
            notes=self._notes,
            troubles=self._troubles,
            asked=self._asked_now(now_s),
            typed=self._typed,
            has_keys=self.has_keys,
        )

    def press(self, action: str, now_s: float) -> tuple[acts.PersonAct | None, bool]:
        """Take a key.

        Returns
        -------
        act : PersonAct or None
            What it says to the ring-out, its time still 0.
        has_left : bool
            Whether the person leaves the screen.
        """
        state = self.state
        if state is not None and state.phase is Phase.FINISHED:
            return None, action in ("confirm", "quit")
        if action == "quit":
            return None, self._is_second("quit", now_s)
        if state is None:
            return None, False
        if action == "finish":
            return (acts.Finish(0.0) if self._is_second("finish", now_s) else None), False
        self._asked = ("", float("-inf"))
        if self._typed is not None:
            return self._enter(action, self._typed), False
        if self._is_hidden(now_s) and action not in UNHIDDEN:
            return None, False
        if action == "won":
            self._typed = ""
        return self._act(action, state, now_s), False

    def _enter(self, action: str, typed: str) -> acts.PersonAct | None:
        """Take a key while a figure is being typed; what is no part of one gives it up."""
        self._typed = None
        if action in FIGURES:
            self._typed = (typed + action)[:LONGEST]
        elif action == "rub out":
            self._typed = typed[:-1]
        elif action == "confirm" and _is_gain(typed):
            return acts.GainEntered(0.0, float(typed))
        return None

    def _act(self, action: str, state: State, now_s: float) -> acts.PersonAct | None:
        plain: dict[str, acts.PersonAct] = {
            "gain_up": acts.Raised(0.0, GAIN_STEP_DB),
            "gain_down": acts.Raised(0.0, -GAIN_STEP_DB),
        }
        if state.can_undo:
            plain["undo"] = acts.Undo(0.0)
        if action in plain:
            return plain[action]
        if state.phase is Phase.PULL:
            return self._answer(action, state, now_s)
        if state.phase is Phase.ADVISED and action == "confirm" and self._is_read(now_s):
            return acts.GoOn(0.0)
        return None

    def _answer(self, action: str, state: State, now_s: float) -> acts.PersonAct | None:
        """Return what a key says to an instruction; other keys move the draft."""
        if action == "skip":
            return acts.Skip(0.0) if self._is_read(now_s) else None
        if action == "confirm":
            if not self._is_read(now_s):
                return None
            draft = self._draft
            return acts.Corrected(0.0, draft.told()) if draft.is_changed else acts.Made(0.0)
        self._draft = edited(self._draft, action, state)
        return None

    def _level_dbfs(self) -> float:
        levels = self._snapshot.level_dbfs if self._snapshot else ()
        return float(levels[self._row]) if self._row < len(levels) else SILENT_DBFS

    def _deaf(self, now_s: float) -> Deaf | None:
        """Return why nothing is heard; before the first snapshot nobody knows."""
        if self._snapshot is None or self._heard_s is None:
            return None
        if self._snapshot.health.source.state == "ended":
            return Deaf.ENDED
        if now_s - self._heard_s > STALE_S:
            return Deaf.NO_NEWS
        return deaf_to(self._snapshot.health, self._level_dbfs())

    def _is_hidden(self, now_s: float) -> bool:
        """Tell whether the screen shows a fault in place of any instruction."""
        deaf = self._deaf(now_s)
        return deaf is not None and deaf.hides_instructions

    def _is_read(self, now_s: float) -> bool:
        return now_s - self._changed_s >= SETTLE_S

    def _is_second(self, what: str, now_s: float) -> bool:
        """Note a press that asks for the end; tell whether it is the second in time."""
        is_second = self._asked_now(now_s) == what
        self._asked = (what, now_s)
        return is_second

    def _asked_now(self, now_s: float) -> str:
        what, at_s = self._asked
        return what if now_s - at_s <= CONFIRM_S else ""


def _is_gain(typed: str) -> bool:
    """Tell whether what was typed is a gain that can be meant."""
    is_number = typed.count(".") <= 1 and typed.strip(".") != ""
    return is_number and float(typed) <= MOST_DB
