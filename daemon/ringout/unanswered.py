"""An instruction that nobody can answer: without screen and OSC it must not stand for good.

Without them a ring-out lives from rings that are heard to stop. After an interruption nobody
knows whether the hand has pulled; a ring that sounds on is back at once and counts as ever, one
that was pulled never comes back, and no other ring would be told meanwhile. So a while is waited,
then the ring-out ends unfinished, sooner than the gain is brought up to the next howl.
"""

from collections.abc import Callable

from prehowl.daemon.events import RingEvent
from prehowl.daemon.ringout.acts import Entry, Interrupted
from prehowl.daemon.ringout.state import Phase, State
from prehowl.daemon.sinks.base import Snapshot

WAIT_S = 10.0
"""A ring that sounds on through a gap is alarmed anew within 0.8 s of its end (measured, gaps of
0.5 to 1.5 s); the rest is for a send that is just being brought up again. Our choice."""
LONGEST_STEP_S = 0.5
"""Stream time leaps over a long gap; what leaps was not listened to."""

ASKED = (
    f"nobody can answer here: if it does not ring again within {WAIT_S:.0f} s, the ring-out ends, "
    "to be resumed with --osc-in or where a screen can be"
)


class Unanswered:
    """A `Watcher` and a `Sink`, behind the conductor: ends what would stand still for good.

    Parameters
    ----------
    end : callable
        Ends the loop, as a person who leaves.
    say : callable
        Takes a line for a person.
    """

    def __init__(self, end: Callable[[], object], say: Callable[[str], object]) -> None:
        self._end, self._say = end, say
        self._left_s: float | None = None  # None: nothing waits
        self._time_s: float | None = None  # of the last snapshot
        self.is_over = False

    def start(self) -> None:
        """Do nothing."""

    def on_event(self, event: RingEvent) -> None:
        """Let it pass: what it changes comes as a state."""

    def on_state(self, state: State, entry: Entry | None) -> None:
        """Begin to wait at an interruption; a ring that is heard again ends the wait."""
        waits = state.phase is Phase.PULL and state.ring is not None and state.ring.is_lost
        if not waits:
            self._left_s = None
        elif isinstance(entry, Interrupted):
            if self._left_s is None:
                self._say(ASKED)
            self._left_s = WAIT_S

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Let time that was listened to go by."""
        before_s, self._time_s = self._time_s, snapshot.time_s
        if self._left_s is None or before_s is None or self.is_over:
            return
        self._left_s -= min(snapshot.time_s - before_s, LONGEST_STEP_S)
        if self._left_s <= 0:
            self.is_over = True
            self._end()

    def close(self) -> None:
        """Do nothing."""
