"""Trouble with device, machine or receivers as plain lines, for runs without a dashboard."""

import re
from collections.abc import Callable, Iterable

from prehowl.daemon.events import RingEvent
from prehowl.daemon.log import Log
from prehowl.daemon.sinks.base import Health, Snapshot
from prehowl.daemon.sinks.osc_link import LOOKING_UP
from prehowl.daemon.sinks.words import counted, time_words

Targets = tuple[tuple[str, str], ...]

SETTLE_S = 1.0
"""Losses come in bursts; they are told once a second at most."""


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
    """

    def __init__(self, log: Log, targets: Callable[[], Targets] | None = None) -> None:
        self._log = log
        self._at_the_end = targets or (lambda: ())
        self._time_s = 0.0
        self._told = Health()
        self._told_targets: dict[str, str] = {}  # name -> gist of what was told last
        self._told_loss = 0
        self._loss_told_s = -SETTLE_S
        self._was_odd = False

    def start(self) -> None:
        """Print nothing: no news is good news."""

    def on_event(self, event: RingEvent) -> None:
        """Let it pass: events have their own sinks."""

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Compare with what was told last."""
        health = snapshot.health
        self._time_s = snapshot.time_s
        self._tell_state(snapshot.time_s, health)
        self._tell_loss(snapshot.time_s, health)
        self._tell_targets([t for t in health.targets if t[1] != LOOKING_UP])
        self._tell_troubles(snapshot.time_s, health)
        self._told = health

    def close(self) -> None:
        """Tell what became of the receivers."""
        self._tell_targets(self._at_the_end())

    def _tell_state(self, time_s: float, health: Health) -> None:
        source, told = health.source, self._told.source
        is_odd = source.state == "running" and bool(source.detail)
        if source.state == "waiting" and told.state != "waiting":
            self._line(time_s, source.detail)
        elif source.state == "running" and told.state == "waiting":
            text = f"the device is back: {source.detail}" if is_odd else "the device is back"
            self._line(time_s, text, is_well=not is_odd)
        elif is_odd and not self._was_odd:
            self._line(time_s, source.detail)
        elif self._was_odd and not is_odd and source.state == "running":
            self._line(time_s, "all is well again", is_well=True)
        self._was_odd = is_odd

    def _tell_loss(self, time_s: float, health: Health) -> None:
        lost = health.source.lost_samples + health.dropped_blocks
        if lost > self._told_loss and time_s - self._loss_told_s >= SETTLE_S:
            self._line(
                time_s, f"input was lost; {counted(health.source.lost_samples, 'sample')} so far"
            )
            self._told_loss, self._loss_told_s = lost, time_s

    def _tell_targets(self, targets: Iterable[tuple[str, str]]) -> None:
        for name, state in targets:
            if (gist := _gist(state)) != self._told_targets.get(name, "ok"):
                self._line(self._time_s, f"OSC to {name}: {state}", is_well=gist == "ok")
                self._told_targets[name] = gist

    def _tell_troubles(self, time_s: float, health: Health) -> None:
        told = self._told.troubles
        for text in health.troubles:
            if text not in told:
                self._line(time_s, text)
        for text in told:
            if text not in health.troubles:
                self._line(time_s, f"no more: {text}", is_well=True)

    def _line(self, time_s: float, text: str, *, is_well: bool = False) -> None:
        self._log.say(f"{time_words(time_s)} {text}", "info" if is_well else "warning")


def _gist(state: str) -> str:
    """Return a state without its figures: 'trying again every 4 s' is no news after '2 s'."""
    return re.sub(r"\d+", "", state)
