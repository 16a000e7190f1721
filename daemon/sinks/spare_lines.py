"""A printer whose stream may fail in a live watch: from then on alerts go to the log as lines."""

from collections.abc import Callable

from prehowl.daemon.events import RingEvent
from prehowl.daemon.log import Log
from prehowl.daemon.notes import Note, NoteTaker
from prehowl.daemon.output import drop_pending
from prehowl.daemon.patient_stream import PatientStream
from prehowl.daemon.sinks.base import Sink, Snapshot
from prehowl.daemon.sinks.table import AlertLines, note_line, table_line

LAST_WAIT_S = 1.0
"""How long the last lines wait for their reader at the end."""


class SpareLines:
    """Passes on to a printer until its pipe is closed or unread, or its disc full. A `Sink`.

    The event at which it fails is the first that goes to the log. A howl that many channels hear
    is told there once, by its alert.
    """

    def __init__(self, printer: Sink, log: Log, output: PatientStream | None = None) -> None:
        """Guard a printer on stdout; its failure, and alerts after it, are told to `log`.

        `output` is what the printer writes to, if that keeps lines for a reader who is late.
        """
        self._printer = printer
        self._output = output
        self._log = log
        self._fault = ""
        self._alerts = AlertLines()

    def start(self) -> None:
        """Print what comes first."""
        self._goes(self._printer.start)

    def on_event(self, event: RingEvent) -> None:
        """Print one event, or log what it changes in its alert."""
        alert = self._alerts.take(event)
        if not self._goes(lambda: self._printer.on_event(event)) and alert is not None:
            self._log.say(table_line(alert), "warning" if alert.is_alarm else "info")

    def on_note(self, note: Note) -> None:
        """Print one note, if the printer takes them, or log it."""
        if not self._goes(lambda: self._print_note(note)):
            self._log.say(note_line(note))

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Write what a late reader left pending; printers hold events only."""
        if self._output is not None:
            self._goes(self._output.flush)

    def trouble(self) -> str:
        """Return what is wrong, in one line; "" while all is well."""
        return self._fault

    def close(self) -> None:
        """Write out what is pending."""
        self._goes(self._end)

    def _print_note(self, note: Note) -> None:
        if isinstance(self._printer, NoteTaker):
            self._printer.on_note(note)

    def _end(self) -> None:
        self._printer.close()
        if self._output is not None:
            self._output.drain(LAST_WAIT_S)

    def _goes(self, print_it: Callable[[], None]) -> bool:
        """Print something; tell whether the output took it. One that has failed takes no more."""
        if self._fault:
            return False
        try:
            print_it()
        except (
            OSError,
            ValueError,
        ) as fault:  # ValueError: a stream closed, or marks unknown to it
            self._give_up(fault)
            return False
        return True

    def _give_up(self, fault: OSError | ValueError) -> None:
        reason = getattr(fault, "strerror", None) or type(fault).__name__
        self._fault = f"output cannot be written ({reason}); events go to stderr, the watch goes on"
        drop_pending()
        self._log.warn(self._fault)
