"""What the program says of itself: lines with a level, for a terminal or for the journal.

systemd's journal takes the level from a number in angle brackets before the line (sd-daemon(3));
it tells by JOURNAL_STREAM which descriptor leads there (systemd.exec(5)). Elsewhere the level is
not shown, but it still decides whether the line is.
"""

import os
import sys
import threading
from collections.abc import Mapping
from typing import TextIO

from prehowl.daemon.facts import Fact
from prehowl.daemon.patient_stream import PatientStream

LEVELS = {"error": 3, "warning": 4, "info": 6, "debug": 7}
"""Word -> syslog's severity (RFC 5424, table 2)."""


class Log:
    """Writes lines of at least some level to a stream."""

    def __init__(
        self,
        stream: TextIO | None = None,
        *,
        least: str = "info",
        environment: Mapping[str, str] | None = None,
    ) -> None:
        """Write to `stream`, default stderr, what is at least as grave as `least`."""
        self._stream = sys.stderr if stream is None else stream
        self._out = PatientStream(self._stream)
        self._one_at_a_time = threading.Lock()
        self._least = LEVELS[least]
        known = os.environ if environment is None else environment
        self._is_journal = leads_to_journal(self._stream, known)

    def say(self, text: str, level: str = "info") -> None:
        """Write one line. That nobody can read it any more must not end the job: counted only."""
        if LEVELS[level] > self._least:
            return
        mark = f"<{LEVELS[level]}>" if self._is_journal else ""
        with self._one_at_a_time:  # a reload speaks from a thread of its own
            self._out.write(f"{mark}prehowl: {text}\n")
            self._flush(0.0)

    def flush(self, wait_s: float = 0.0) -> None:
        """Write what a late reader has left pending; wait for it no longer than so."""
        with self._one_at_a_time:
            self._flush(wait_s)

    def _flush(self, wait_s: float) -> None:
        try:
            self._out.settle(wait_s)
            self._out.flush()
        except OSError:  # nobody reads, or nobody is there any more
            self._out.give_up()

    @property
    def unwritten(self) -> int:
        """Lines that the stream did not take."""
        return self._out.lost

    def facts(self) -> list[Fact]:
        """Return that lines were lost, for whoever else listens."""
        if not self.unwritten:
            return []
        return [Fact("lines on stderr could not be written", f": {self.unwritten} so far")]

    def warn(self, text: str) -> None:
        """Write one line of trouble."""
        self.say(text, "warning")


def leads_to_journal(stream: TextIO, environment: Mapping[str, str]) -> bool:
    """Tell whether a stream is the very descriptor that JOURNAL_STREAM names."""
    told = environment.get("JOURNAL_STREAM", "")
    try:
        found = os.fstat(stream.fileno())
    except (OSError, ValueError, AttributeError):  # no real file behind it
        return False
    return told == f"{found.st_dev}:{found.st_ino}"
