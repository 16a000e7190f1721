"""Hands at the desk of a long run: acts change, rings are acknowledged, channels are held."""

from prehowl.daemon.desk.running_order import RunningOrder
from prehowl.daemon.events import RingEvent
from prehowl.daemon.notes import Note
from prehowl.daemon.osc_in.verbs import Command, Verb
from prehowl.daemon.show.order_tables import Act, ActChannel
from prehowl.daemon.sinks.base import Snapshot

ACTS = 8
ASK_EVERY_S = 20.0
HOLD_S = 5
BY = "bench"


def running_order() -> RunningOrder:
    """Return acts in which the first channel is called otherwise each time."""
    return RunningOrder(
        [
            Act(f"Act {n}", channels=(ActChannel(1, f"Voice of act {n}"),))
            for n in range(1, ACTS + 1)
        ]
    )


class Crew:
    """Asks for something every `ASK_EVERY_S` of stream time, and counts what came of it.

    A `NoteTaker` and a `CommandSource`.
    """

    def __init__(self, channels: int, seconds: float) -> None:
        """Be ready for a run of so many seconds."""
        self._channels = channels
        self._act_s = seconds / ACTS
        self._time_s = 0.0
        self._asked = 0
        self._acts = 1
        self.notes = 0

    def start(self) -> None:
        """Nothing has been asked yet."""

    def on_event(self, event: RingEvent) -> None:
        """Let it pass."""

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Look at the clock."""
        self._time_s = snapshot.time_s

    def on_note(self, note: Note) -> None:
        """Count what was noted."""
        self.notes += 1

    def close(self) -> None:
        """Keep the count."""

    def take(self) -> list[Command]:
        """Return what is asked for now."""
        asked = []
        if self._acts < ACTS and self._time_s >= self._acts * self._act_s:
            self._acts += 1
            asked.append(Command(Verb.NEXT_ACT, BY))
        if self._time_s >= (self._asked + 1) * ASK_EVERY_S:
            self._asked += 1
            channel = self._asked % self._channels + 1
            asked.append(Command(Verb.ACKNOWLEDGE, BY, channel))
            asked.append(Command(Verb.HOLD, BY, channel, HOLD_S))
        return asked
