"""What in the daemon's health is worth a line in the logbook: changes, not states."""

import re
from collections.abc import Iterator

from prehowl.daemon.logbook.records import HealthChange
from prehowl.daemon.sinks.base import Health

LOSS_EVERY_S = 10.0
"""Losses come in bursts; each line tells the sum since the last."""

FIGURES = re.compile(r"\d+(\.\d+)?")


class HealthDiary:
    """Compares each health with the one before. Used by one thread."""

    def __init__(self) -> None:
        self._state = "running"
        self._details: dict[str, str] = {}  # text without figures -> text, of what is wrong now
        self._targets: dict[str, str] = {}
        self._lost = 0
        self._loss_told_s = float("-inf")

    def changes(self, time_s: float, health: Health) -> list[HealthChange]:
        """Return what has changed, in words."""
        return [
            *self._device(health),
            *self._loss(time_s, health),
            *self._receivers(health),
            *self._troubles(health),
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
            self._targets[name] = state

    def _troubles(self, health: Health) -> Iterator[HealthChange]:
        detail = health.source.detail if health.source.state == "running" else ""
        now = {text: text for text in health.troubles}
        if detail:
            # It may count seconds, which is no news.
            now[FIGURES.sub("#", detail)] = detail
        for key, text in now.items():
            if key not in self._details:
                yield HealthChange("watch", text)
        for key, text in self._details.items():
            if key not in now:
                yield HealthChange("watch", f"no more: {text}", is_well=True)
        self._details = now
