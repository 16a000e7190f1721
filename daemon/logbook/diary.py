"""What in the daemon's health is worth a line in the logbook: changes, not states."""

from collections.abc import Iterator

from prehowl.daemon.facts import Fact
from prehowl.daemon.logbook.records import HealthChange
from prehowl.daemon.sinks.base import Health

LOSS_EVERY_S = 10.0
"""Losses come in bursts; each line tells the sum since the last."""


class HealthDiary:
    """Compares each health with the one before. Used by one thread."""

    def __init__(self) -> None:
        self._state = "running"
        self._of_source: tuple[Fact, ...] = ()  # as last known; a device that is away tells nothing
        self._facts: dict[tuple[int, str], Fact] = {}
        self._targets: dict[str, str] = {}
        self._lost = 0
        self._loss_told_s = float("-inf")

    def changes(self, time_s: float, health: Health) -> list[HealthChange]:
        """Return what has changed, in words."""
        return [
            *self._device(health),
            *self._loss(time_s, health),
            *self._receivers(health),
            *self._wrong(health),
        ]

    def _device(self, health: Health) -> Iterator[HealthChange]:
        state = health.source.state
        if state != self._state and state != "ended":
            text = health.source.detail if state != "running" else "the device is back"
            yield HealthChange("device", text, state == "running")
        self._state = state

    def _loss(self, time_s: float, health: Health) -> Iterator[HealthChange]:
        lost = health.source.lost_samples
        if lost > self._lost and time_s - self._loss_told_s >= LOSS_EVERY_S:
            yield HealthChange("input", f"{lost - self._lost} samples lost, {lost} in all")
            self._lost, self._loss_told_s = lost, time_s

    def _receivers(self, health: Health) -> Iterator[HealthChange]:
        for name, state in health.targets:
            if state != self._targets.get(name, "ok"):
                yield HealthChange("osc", f"{name}: {state}", state == "ok")
        self._targets = dict(health.targets)  # those of now: a show may name others at any time

    def _wrong(self, health: Health) -> Iterator[HealthChange]:
        if health.source.state == "running":
            self._of_source = health.source.facts
        before = self._facts
        self._facts = {fact.key: fact for fact in (*self._of_source, *health.troubles)}
        for key, fact in self._facts.items():
            if key not in before:
                yield HealthChange("watch", fact.text)
        for key, fact in before.items():
            if key not in self._facts:
                yield HealthChange("watch", fact.over, is_well=True)
