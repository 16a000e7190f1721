"""Whether the ring-out's channel is heard at all: a stage that nobody hears is not a quiet one.

Who is told to raise the gain until it rings, and is not heard, raises it into a howl.
"""

from collections.abc import Callable
from enum import StrEnum

from prehowl.daemon.events import RingEvent
from prehowl.daemon.ringout.state import Phase
from prehowl.daemon.sinks.base import Health, Snapshot

SILENT_DBFS = -120.0
"""RMS below the noise of any open microphone or converter, with room for the dither of a channel
that is muted on a digital desk (our choice)."""


class Deaf(StrEnum):
    """Why nothing is heard."""

    ENDED = "ended"
    NO_NEWS = "no news"  # the loop itself is silent
    NO_INPUT = "no input"
    SILENT = "silent"  # the input runs and brings nothing: muted, not sent, not patched

    @property
    def hides_instructions(self) -> bool:
        """Tell whether it takes the place of everything, so that there is nothing to answer.

        Silence does not: a hand that mutes the mix at a ring must still read which fader to pull.
        """
        return self is not Deaf.SILENT

    def comes_before(self, phase: Phase) -> bool:
        """Tell whether it is said in place of what the ring-out has to say."""
        if phase is Phase.FINISHED:
            return False
        return self.hides_instructions or phase is Phase.LISTENING


def deaf_to(health: Health, level_dbfs: float) -> Deaf | None:
    """Return why a channel is not heard, None where it is.

    Parameters
    ----------
    health : Health
        Of now.
    level_dbfs : float
        Of the channel, RMS, full-scale sine = 0.
    """
    if health.source.state == "waiting":
        return Deaf.NO_INPUT
    return Deaf.SILENT if level_dbfs <= SILENT_DBFS else None


class Hearing:
    """A `Sink` that knows whether the channel is heard.

    Parameters
    ----------
    row : int
        The channel's row in the snapshots.
    *tellers : callable
        Told of every change, in this order; return at once.

    Attributes
    ----------
    deaf : Deaf or None
        Why nothing is heard, None where it is.
    time_s : float
        Stream time of the newest snapshot, seconds.
    """

    def __init__(self, row: int, *tellers: Callable[[Deaf | None], object]) -> None:
        self._row, self._tellers = row, list(tellers)
        self.deaf: Deaf | None = None
        self.time_s = 0.0

    def add(self, teller: Callable[[Deaf | None], object]) -> None:
        """Add one who is told, before the loop starts."""
        self._tellers.append(teller)

    def start(self) -> None:
        """Do nothing: it only listens."""

    def on_event(self, event: RingEvent) -> None:
        """Let it pass."""

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Look at the input and the channel's level."""
        deaf = deaf_to(snapshot.health, float(snapshot.level_dbfs[self._row]))
        self.time_s = snapshot.time_s
        if deaf is not self.deaf:
            self.deaf = deaf
            for tell in self._tellers:
                tell(deaf)

    def close(self) -> None:
        """Do nothing: there is nothing to let go of."""
