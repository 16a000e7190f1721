"""Trouble with device, machine or receivers as plain lines, for runs without a dashboard."""

from typing import TextIO

from prehowl.daemon.events import RingEvent
from prehowl.daemon.sinks.base import Health, Snapshot
from prehowl.daemon.sinks.words import time_words

SETTLE_S = 1.0
"""Losses come in bursts; they are told once a second at most."""


class HealthLines:
    """Prints a line when something changes for the worse or the better, else nothing."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self._told = Health()
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
        self._tell_state(snapshot.time_s, health)
        self._tell_loss(snapshot.time_s, health)
        self._tell_targets(snapshot.time_s, health)
        self._told = health

    def close(self) -> None:
        """Write out what is pending."""
        self._stream.flush()

    def _tell_state(self, time_s: float, health: Health) -> None:
        source, told = health.source, self._told.source
        is_odd = source.state == "running" and bool(source.detail)
        if source.state == "waiting" and told.state != "waiting":
            self._line(time_s, source.detail)
        elif source.state == "running" and told.state == "waiting":
            self._line(time_s, "the device is back")
        elif is_odd and not self._was_odd:
            self._line(time_s, source.detail)
        elif self._was_odd and not is_odd and source.state == "running":
            self._line(time_s, "all is well again")
        self._was_odd = is_odd

    def _tell_loss(self, time_s: float, health: Health) -> None:
        lost = health.source.lost_samples + health.dropped_blocks
        if lost > self._told_loss and time_s - self._loss_told_s >= SETTLE_S:
            self._line(time_s, f"input was lost; {health.source.lost_samples} samples so far")
            self._told_loss, self._loss_told_s = lost, time_s

    def _tell_targets(self, time_s: float, health: Health) -> None:
        told = dict(self._told.targets)
        for name, state in health.targets:
            if state != told.get(name, "ok"):
                self._line(time_s, f"OSC to {name}: {state}")

    def _line(self, time_s: float, text: str) -> None:
        print(f"prehowl: {time_words(time_s)} {text}", file=self._stream, flush=True)
