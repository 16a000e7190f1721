"""The hand of `--auto`: does on the virtual desk what the ring-out says, as a person would.

Owns waiting and raising. It knows the state that a screen shows and nothing else: no truth, no
frequency that was not heard.
"""

from collections.abc import Callable

from prehowl.daemon.events import RingEvent
from prehowl.daemon.ringout.acts import Entry, Finish, GoOn, Made, PersonAct, Raised
from prehowl.daemon.ringout.state import Phase, Reason, State
from prehowl.daemon.sinks.base import Snapshot

REACTION_S = 0.8
"""From an instruction on the screen to a moved fader. Common experience, no source."""
LISTEN_S = 2.0
"""Silence after a raise before the next one: a ring 0.1 dB over its limit needs that to show."""
RAISE_DB = 0.5
MOST_RAISED_DB = 40.0
"""A loop that takes this much without a ring is none: the hand gives up."""

LOUD_DBFS = -15.0
"""A mix that stays this loud howls, whatever the screen says: the send goes down, as by anybody
with ears. A ring that crept over its limit has no growth left to be seen by."""
LOUD_FOR_S = 1.5
DOWN_DB = -2.75
PATIENCE = 4
"""Times that the send goes down because many bands ring at once, before it is left at that."""


class AutoHand:
    """A `Sink` and `Watcher` that acts by itself.

    Parameters
    ----------
    submit : callable
        Takes an act: the conductor's `submit`.
    column : int
        Index of the mix in the snapshots.
    """

    def __init__(self, submit: Callable[[PersonAct], object], column: int = 0) -> None:
        self._submit = submit
        self._column = column
        self._state: State | None = None
        self._now_s = 0.0
        self._since_s = 0.0  # last change of what is to be done
        self._has_acted = False
        self._patience = PATIENCE
        self._quiet_s = 0.0  # when the mix was last not loud

    def start(self) -> None:
        """Do nothing: the conductor brings the first state."""

    def on_state(self, state: State, entry: Entry | None) -> None:
        """Look at the screen."""
        self._state = state
        self._since_s = self._now_s
        self._has_acted = False

    def on_event(self, event: RingEvent) -> None:
        """Let it pass: the state tells."""

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Act when it is time."""
        self._now_s = snapshot.time_s
        if float(snapshot.level_dbfs[self._column]) < LOUD_DBFS:
            self._quiet_s = self._now_s
        if self._state is None or self._has_acted:
            return
        waited_s = self._now_s - self._since_s
        act = self._wanted(self._state, waited_s)
        if act is not None:
            self._has_acted = True
            self._submit(act)

    def close(self) -> None:
        """Do nothing."""

    def _wanted(self, state: State, waited_s: float) -> PersonAct | None:
        if state.phase is Phase.PULL and waited_s >= REACTION_S:
            return Made(0.0)
        if state.phase is Phase.ADVISED and waited_s >= REACTION_S:
            return self._at_a_stop(state)
        if state.phase is Phase.LISTENING and self._now_s - self._quiet_s > LOUD_FOR_S:
            self._quiet_s = self._now_s
            return Raised(0.0, DOWN_DB)
        if state.phase is Phase.LISTENING and waited_s >= LISTEN_S:
            return Raised(0.0, RAISE_DB) if state.raised_db < MOST_RAISED_DB else Finish(0.0)
        return None

    def _at_a_stop(self, state: State) -> PersonAct:
        """Finish; but with many rings at once the level goes down first, and then on with it."""
        if state.reason is not Reason.MANY_AT_ONCE or self._patience == 0:
            return Finish(0.0)
        if state.heard:
            self._patience -= 1
            return Raised(0.0, DOWN_DB)
        return GoOn(0.0)
