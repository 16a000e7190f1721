"""Events as comma-separated values with one header line (RFC 4180, but lines end with LF)."""

import csv
from typing import Any, TextIO

from prehowl.daemon.events import RingEvent
from prehowl.daemon.sinks.base import Snapshot
from prehowl.daemon.sinks.words import printable

COLUMNS = (
    "id",
    "channel",
    "channel_name",
    "state",
    "time_s",
    "onset_s",
    "frequency_hz",
    "band_hz",
    "level_dbfs",
    "growth_db_per_s",
    "margin_db",
    "cut_db",
    "evidence",
    "act",
    "alert",
    "lead_channel",
    "mic",
    "mix",
    "wedge",
)
"""Same names and units as the JSON keys; `evidence` is 'name=value' pairs with spaces between, and
the last five are of the alert that the ring is part of."""
TEXTS = ("channel_name", "act", "mic", "mix", "wedge")


class CsvSink:
    """Writes one row an event; what is not known is an empty cell.

    Parameters
    ----------
    stream : TextIO
        Stays open at the end; every row is flushed. Files want `newline=""`.
    file : str, optional
        Recording that the events are from; becomes a first column `file`.
    has_header : bool
        False for the second and later recordings in one output.
    """

    def __init__(self, stream: TextIO, file: str | None = None, *, has_header: bool = True) -> None:
        self._stream = stream
        self._first = {} if file is None else {"file": printable(file)}
        self._has_header = has_header
        columns = (*self._first, *COLUMNS)
        self._writer = csv.DictWriter(stream, columns, extrasaction="ignore", lineterminator="\n")

    def start(self) -> None:
        """Write the header, so that a run without events still gives a table."""
        if self._has_header:
            self._writer.writeheader()
            self._stream.flush()

    def on_event(self, event: RingEvent) -> None:
        """Write one event."""
        record: dict[str, Any] = {**self._first, **event.record()}
        alert = record.get("alert") or {}
        record |= {name: alert.get(name) for name in ("mic", "mix", "wedge")}
        record |= {"alert": event.alert_id, "lead_channel": alert.get("channel", event.channel)}
        # The writer leaves a bare CR unquoted, which its own reader takes for the row's end.
        record |= {name: printable(record[name]) for name in TEXTS if record.get(name)}
        pairs = record["evidence"].items()
        record["evidence"] = " ".join(f"{key}={value}" for key, value in pairs if value is not None)
        self._writer.writerow(record)
        self._stream.flush()

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Let it pass: only events are written."""

    def close(self) -> None:
        """Write out what is pending."""
        self._stream.flush()
