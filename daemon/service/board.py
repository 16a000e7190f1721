"""What a running watch says of itself when asked: the newest snapshot as plain figures."""

import os
import threading
import time
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any

from prehowl.daemon.alerts_now import alerts_of
from prehowl.daemon.events import RingEvent
from prehowl.daemon.facts import lines_of
from prehowl.daemon.rings_now import RingsNow
from prehowl.daemon.sinks.base import Snapshot

STALE_S = 2.0
"""Snapshots come ten times a second: after this long without one the loop hangs."""


@dataclass(frozen=True, slots=True)
class About:
    """What changes seldom or never while a watch runs."""

    version: str
    title: str
    source: str
    rate_hz: int
    names: Mapping[int, str]  # by channel number


class StatusBoard:
    """Keeps what is newest, for other threads. A `Sink`."""

    def __init__(self, about: About) -> None:
        """Begin without news."""
        self.about = about
        self._lock = threading.Lock()
        self._began_s = time.monotonic()
        self._snapshot: Snapshot | None = None
        self._heard_s = self._began_s
        self._rings = RingsNow()

    def start(self) -> None:
        """Count the time from here."""
        self._began_s = self._heard_s = time.monotonic()

    def on_rate(self, rate_hz: int) -> None:
        """Keep the rate that the device runs at now."""
        self.about = replace(self.about, rate_hz=rate_hz)

    def on_event(self, event: RingEvent) -> None:
        """Count it."""
        with self._lock:
            self._rings.take(event)

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Keep it."""
        with self._lock:
            self._snapshot, self._heard_s = snapshot, time.monotonic()

    def close(self) -> None:
        """Do nothing: there is nothing to let go of."""

    def record(self) -> dict[str, Any]:
        """Return everything as plain JSON types. From any thread."""
        with self._lock:
            snapshot, heard_s = self._snapshot, self._heard_s
            alarms = dict(sorted(self._rings.alarms_by_channel.items()))
        now_s = time.monotonic()
        about = self.about
        record: dict[str, Any] = {
            "pid": os.getpid(),
            "version": about.version,
            "title": about.title,
            "source": about.source,
            "rate_hz": about.rate_hz,
            "channels": {str(number): name for number, name in about.names.items()},
            "up_s": round(now_s - self._began_s, 1),
            "news_age_s": round(now_s - heard_s, 1),
            "alarms_by_channel": {str(number): count for number, count in alarms.items()},
        }
        if snapshot is None:
            return {**record, "device_state": "starting", "rings": [], "alerts": [], "troubles": []}
        health = snapshot.health
        return {
            **record,
            "time_s": round(snapshot.time_s, 1),
            "device_state": health.source.state,
            "detail": health.source.detail,
            "load": round(health.load, 3),
            "shed_level": health.shed_level,
            "overflows": health.source.overflows,
            "lost_samples": health.source.lost_samples,
            "dropped_blocks": health.dropped_blocks,
            "targets": dict(health.targets),
            "osc_in": None if health.osc_in is None else asdict(health.osc_in),
            "troubles": list(lines_of(health.troubles)),
            "rings": [ring.record() for ring in snapshot.rings],
            "alerts": [alert.record() for alert in alerts_of(snapshot.rings)],
        }


def faults_of(record: Mapping[str, Any]) -> list[str]:
    """Return what is wrong with a watch by its record, a few words each; rings are no fault."""
    faults = []
    if record["news_age_s"] > STALE_S:
        faults.append(f"no news from the loop for {record['news_age_s']:.0f} s: it hangs")
    if record["device_state"] not in ("running", "ended"):
        faults.append(f"input {record['device_state']}: {record.get('detail', '')}".rstrip(": "))
    elif record.get("detail"):
        faults.append(record["detail"])
    targets = record.get("targets", {}).items()
    faults += [f"OSC to {name}: {state}" for name, state in targets if state != "ok"]
    return faults + list(record["troubles"])
