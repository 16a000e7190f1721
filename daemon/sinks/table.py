"""Events as lines of a plain table, at most 80 columns wide."""

import unicodedata
from dataclasses import replace
from typing import TextIO

from prehowl.daemon.alerts_now import AlertsNow
from prehowl.daemon.events import RingEvent
from prehowl.daemon.notes import Note
from prehowl.daemon.sinks.base import Snapshot
from prehowl.daemon.sinks.words import advice_words, frequency_words, printable, time_words
from prehowl.detectors.rings import RingState

NAME_CELLS = 12
HEADER = (
    f"{'time':>9}  {'state':<7}  {'channel':<{NAME_CELLS}} {'ring at':>9} "
    f"{'dBFS':>5} {'dB/s':>5}  what to do"
)


class AlertLines:
    """Tells which events are a line: each state of an alert once, on the channel it belongs to."""

    def __init__(self) -> None:
        self._alerts = AlertsNow()
        self._told: dict[int, tuple[object, ...]] = {}  # living alert -> what its last line said

    def take(self, event: RingEvent) -> RingEvent | None:
        """Follow one event; return its alert, dated by the event, where a line would say anew.

        That is another state, channel or band. That the wedge has a name by now is none, and a
        state that the first ring reached long ago is told when it is told, so that the times of
        the lines never go back.
        """
        news = self._alerts.take(event)
        if news is None:
            return None
        alert = news.alert
        said = (alert.state, alert.channel, alert.band_hz)
        if self._told.get(alert.id) == said:
            return None
        self._told[alert.id] = said
        if alert.state is RingState.CLEARED:
            del self._told[alert.id]
        return replace(alert, time_s=event.time_s)


class TableSink:
    """Prints one line each time an alert enters a state, alarms in capitals to stand out.

    A howl that many channels hear has one line, on the channel that it belongs to.

    Parameters
    ----------
    stream : TextIO
        Stays open at the end; every line is flushed, since a person may be watching.
    heading : str, optional
        Printed above the table, where several tables follow one another.
    """

    def __init__(self, stream: TextIO, heading: str | None = None) -> None:
        self._stream = stream
        self._heading = heading
        self._alerts = AlertLines()

    def start(self) -> None:
        """Print the heading and the names of the columns."""
        if self._heading is not None:
            self._line(self._heading)
        self._line(HEADER)

    def on_event(self, event: RingEvent) -> None:
        """Print the alert that the event is part of, if it tells anything new."""
        alert = self._alerts.take(event)
        if alert is not None:
            self._line(table_line(alert))

    def on_note(self, note: Note) -> None:
        """Print what was asked of the watch and what came of it."""
        self._line(note_line(note))

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Let it pass: a table holds events only."""

    def close(self) -> None:
        """Write out what is pending."""
        self._stream.flush()

    def _line(self, text: str) -> None:
        print(text, file=self._stream, flush=True)


def table_line(event: RingEvent) -> str:
    """Return one alert, or the event of one ring, as a line of the table."""
    state = str(event.state).upper() if event.is_alarm else str(event.state)
    growth = "" if event.growth_db_per_s is None else f"{event.growth_db_per_s:+.0f}"
    return (
        f"{time_words(event.time_s):>9}  {state:<7}  {_fitted(event.channel_name)} "
        f"{frequency_words(event.frequency_hz):>9} {event.level_dbfs:>5.0f} {growth:>5}  "
        f"{advice_words(event)}"
    )


def note_line(note: Note) -> str:
    """Return one note as a line of the table."""
    refused = "" if note.done else "not done: "
    return f"{time_words(note.time_s):>9}  {refused}{printable(note.effect)} (by {note.by})"


def _fitted(name: str) -> str:
    """Return the name in exactly NAME_CELLS cells of a terminal; an ellipsis says it was cut."""
    name = printable(name)
    if _cells(name) > NAME_CELLS:
        while _cells(name) > NAME_CELLS - 1:
            name = name[:-1]
        name += "…"
    return name + " " * (NAME_CELLS - _cells(name))


def _cells(text: str) -> int:
    """Return the width on a terminal: wide East Asian marks take two cells, accents none."""
    wide = sum(unicodedata.east_asian_width(mark) in "WF" for mark in text)
    return len(text) + wide - sum(unicodedata.combining(mark) > 0 for mark in text)
