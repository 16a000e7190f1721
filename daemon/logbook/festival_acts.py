"""The acts of the virtual stage's festival, put into the logbook as they begin."""

from prehowl.daemon.events import RingEvent
from prehowl.daemon.logbook.records import ActChange
from prehowl.daemon.logbook.sink import LogbookSink
from prehowl.daemon.sinks.base import Snapshot
from prehowl.daemon.stage.festival import Festival


class FestivalActs:
    """Asks the festival for acts that have begun. A `Sink`; stands before the logbook's own."""

    def __init__(self, festival: Festival, logbook: LogbookSink) -> None:
        self._festival, self._logbook = festival, logbook
        self._number = 0

    def start(self) -> None:
        """Do nothing: the first act is told with the first samples."""

    def on_event(self, event: RingEvent) -> None:
        """Tell of an act before its first event."""
        self._tell()

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Tell of an act that began."""
        self._tell()

    def close(self) -> None:
        """Tell of the last one."""
        self._tell()

    def _tell(self) -> None:
        for note in self._festival.take_acts():
            self._number += 1
            self._logbook.keep(ActChange(note.text, self._number).entry(note.time_s))
