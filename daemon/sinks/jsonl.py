"""Events as JSON, one object a line, for scripts; the keys are described in docs/events.md."""

import json
from typing import TextIO

from prehowl.daemon.events import RingEvent
from prehowl.daemon.notes import Note
from prehowl.daemon.sinks.base import Snapshot


class JsonlSink:
    """Writes one strict JSON object an event or note, and nothing else.

    Parameters
    ----------
    stream : TextIO
        Stays open at the end; every line is flushed, so that a pipe delivers it at once.
    file : str, optional
        Recording that the events are from; becomes the key `file` of each object.
    """

    def __init__(self, stream: TextIO, file: str | None = None) -> None:
        self._stream = stream
        self._file = file

    def start(self) -> None:
        """Write nothing: the first line is the first event."""

    def on_event(self, event: RingEvent) -> None:
        """Write one event."""
        print(self._rendered(event), file=self._stream, flush=True)

    def on_note(self, note: Note) -> None:
        """Write what was asked of the watch and what came of it."""
        print(note.json_line(), file=self._stream, flush=True)

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Let it pass: only events are written."""

    def close(self) -> None:
        """Write out what is pending."""
        self._stream.flush()

    def _rendered(self, event: RingEvent) -> str:
        if self._file is None:
            return event.json_line()
        record = {**event.record(), "file": self._file}
        return json.dumps(record, ensure_ascii=False, allow_nan=False)
