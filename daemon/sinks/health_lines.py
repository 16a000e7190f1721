"""Trouble with device, machine or receivers as plain lines, for runs without a dashboard."""

import re
from collections.abc import Callable, Iterable, Sequence

from prehowl.daemon.events import RingEvent
from prehowl.daemon.facts import Fact, lines_of
from prehowl.daemon.log import Log
from prehowl.daemon.sinks.base import Health, Snapshot
from prehowl.daemon.sinks.osc_link import LOOKING_UP
from prehowl.daemon.sinks.words import counted, time_words

Targets = tuple[tuple[str, str], ...]

SETTLE_S = 1.0
"""Losses come in bursts; they are told once a second at most."""

CALM_S = 30.0
"""What comes and goes with the music is over when it has not come again for so long, else its
lines would bury all others. Our choice."""


class HealthLines:
    """Prints a line when something changes for the worse or the better, else nothing.

    Parameters
    ----------
    log : Log
        Takes the lines, trouble as warnings.
    targets : callable, optional
        Asked at the end for what became of each OSC target, since a short run may be over before
        a host name is known to be wrong. To be of use this sink must be closed after the one of
        OSC: it stands before it in the list of sinks.
    began_s : float
        Time of the stream's first sample, where it goes on with what was begun before.
    """

    def __init__(
        self, log: Log, targets: Callable[[], Targets] | None = None, *, began_s: float = 0.0
    ) -> None:
        self._log, self._began_s = log, began_s
        self._at_the_end = targets or (lambda: ())
        self._time_s = 0.0
        self._state = "running"
        self._of_source: tuple[Fact, ...] = ()  # as last known; a device that is away tells nothing
        self._facts: dict[tuple[int, str], tuple[Fact, float]] = {}  # told, not over; seen last
        self._told_targets: dict[str, str] = {}  # name -> gist of what was told last
        self._told_loss = 0
        self._loss_told_s = -SETTLE_S

    def start(self) -> None:
        """Print nothing: no news is good news."""

    def on_event(self, event: RingEvent) -> None:
        """Let it pass: events have their own sinks."""

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Compare with what was told last."""
        health = snapshot.health
        self._time_s = snapshot.time_s
        self._tell_state(health)
        self._tell_loss(health)
        self._tell_targets([t for t in health.targets if t[1] != LOOKING_UP])
        self._tell_facts((*self._of_source, *health.troubles))
        self._log.flush()

    def close(self) -> None:
        """Tell what became of the receivers."""
        self._tell_targets(self._at_the_end())

    def _tell_state(self, health: Health) -> None:
        source, before = health.source, self._state
        self._state = source.state
        if source.state == "waiting" and before != "waiting":
            self._line(source.detail)
        if source.state != "running":
            return
        self._of_source = source.facts
        if before == "waiting":
            said = f": {source.detail}" if source.detail else ""
            self._line(f"the device is back{said}", is_well=not said)
            self._facts |= {fact.key: (fact, self._time_s) for fact in source.facts}

    def _tell_loss(self, health: Health) -> None:
        lost = health.source.lost_samples + health.dropped_blocks
        if lost > self._told_loss and self._time_s - self._loss_told_s >= SETTLE_S:
            said = f"{counted(health.source.lost_samples, 'sample')} so far"
            self._line(f"input was lost; {said}")
            self._told_loss, self._loss_told_s = lost, self._time_s

    def _tell_targets(self, targets: Iterable[tuple[str, str]]) -> None:
        for name, state in targets:
            if (gist := _gist(state)) != self._told_targets.get(name, "ok"):
                self._line(f"OSC to {name}: {state}", is_well=gist == "ok")
                self._told_targets[name] = gist

    def _tell_facts(self, facts: Sequence[Fact]) -> None:
        """Tell each once when it comes and once when it is over, the same of many in one line."""
        now = {fact.key: (fact, self._time_s) for fact in facts}
        new = [fact for fact in facts if fact.key not in self._facts]
        gone = [told for key, told in self._facts.items() if key not in now]
        over = [fact for fact, seen_s in gone if self._is_over(fact, seen_s)]
        self._facts |= now
        for fact in over:
            del self._facts[fact.key]
        for text in lines_of(new):
            self._line(text)
        for text in lines_of(over, with_more=False):
            self._line(f"no more: {text}", is_well=True)

    def _is_over(self, fact: Fact, seen_s: float) -> bool:
        return not fact.flickers or self._time_s - seen_s > CALM_S

    def _line(self, text: str, *, is_well: bool = False) -> None:
        at = time_words(self._began_s + self._time_s)
        self._log.say(f"{at} {text}", "info" if is_well else "warning")


def _gist(state: str) -> str:
    """Return a state without its figures: 'trying again every 4 s' is no news after '2 s'."""
    return re.sub(r"\d+", "", state)
