"""Notifications to a service manager: ready, alive, stopping; datagrams after sd_notify(3)."""

import os
import socket
import time
from collections.abc import Mapping

from prehowl.daemon.alerts_now import alerts_of
from prehowl.daemon.events import RingEvent
from prehowl.daemon.sinks.base import Snapshot
from prehowl.daemon.sinks.words import counted

STATUS_EVERY_S = 5.0


class Notifier:
    """Sends to the socket that the environment names, or nowhere."""

    def __init__(self, environment: Mapping[str, str] | None = None) -> None:
        """Look for NOTIFY_SOCKET, WATCHDOG_USEC and WATCHDOG_PID."""
        known = os.environ if environment is None else environment
        address = known.get("NOTIFY_SOCKET", "")
        # '@' stands for the NUL of Linux's abstract names.
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self.failed = 0
        self.watchdog_s = _watchdog_s(known)
        """Silence after which the manager takes us for dead; None where it does not watch."""

    def send(self, **fields: object) -> None:
        """Send assignments in one datagram; a manager that is gone is no reason to stop."""
        if not self._address:
            return
        text = "\n".join(f"{name}={value}" for name, value in fields.items())
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as way:
                way.setblocking(False)
                way.sendto(text.encode(errors="replace"), self._address)
        except OSError:
            self.failed += 1

    def reloading(self) -> None:
        """Say that the show file is being read again."""
        self.send(RELOADING=1, MONOTONIC_USEC=time.monotonic_ns() // 1000)

    def ready(self) -> None:
        """Say that it has been read."""
        self.send(READY=1)


def _watchdog_s(environment: Mapping[str, str]) -> float | None:
    told, whom = environment.get("WATCHDOG_USEC", ""), environment.get("WATCHDOG_PID", "")
    is_us = not whom or whom == str(os.getpid())
    return int(told) / 1e6 if told.isdecimal() and int(told) and is_us else None


class ServiceSink:
    """Tells a service manager how the watch is. A `Sink`.

    The sign of life is sent where a snapshot arrives, and so only while the loop itself is going
    round: a watch that hangs is restarted, one that waits for its device is not.
    """

    def __init__(self, notifier: Notifier) -> None:
        """Tell through `notifier`."""
        self._notifier = notifier
        self._alive_at_s = self._status_at_s = float("-inf")

    def start(self) -> None:
        """Do nothing: ready is said with the first snapshot, when the loop goes round."""

    def on_event(self, event: RingEvent) -> None:
        """Let it pass: events have their own ways."""

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Send a sign of life and a line of status, no oftener than is of use."""
        now_s = time.monotonic()
        fields: dict[str, object] = {}
        if self._alive_at_s == float("-inf"):
            fields["READY"] = 1
        every_s = (self._notifier.watchdog_s or STATUS_EVERY_S) / 4
        if now_s - self._alive_at_s >= every_s:
            self._alive_at_s = now_s
            fields["WATCHDOG"] = 1
        if now_s - self._status_at_s >= STATUS_EVERY_S:
            self._status_at_s = now_s
            fields["STATUS"] = status_words(snapshot)
        if fields:
            self._notifier.send(**fields)

    def close(self) -> None:
        """Say that the end is meant."""
        self._notifier.send(STOPPING=1)


def status_words(snapshot: Snapshot) -> str:
    """Return the state of the watch in one line."""
    health = snapshot.health
    parts = [
        f"input {health.source.state}",
        f"{len(snapshot.level_dbfs)} channels",
        counted(len(alerts_of(snapshot.rings)), "ring"),
        f"load {100 * health.load:.0f} %",
        health.detail,
    ]
    return "; ".join(filter(None, parts)).replace("\n", " ")
