"""What the screen has told: alerts and notes, the newest first."""

from collections import deque

from prehowl.daemon.events import RingEvent
from prehowl.daemon.notes import Note

LOG_LENGTH = 100


class ScreenLog:
    """The newest lines; an alert has one for each state that it has been in."""

    def __init__(self) -> None:
        self._lines: deque[RingEvent | Note] = deque(maxlen=LOG_LENGTH)

    def lines(self) -> tuple[RingEvent | Note, ...]:
        """Return the lines, the newest first."""
        return tuple(self._lines)

    def note(self, note: Note) -> None:
        """Put a note on top."""
        self._lines.appendleft(note)

    def alert(self, alert: RingEvent) -> None:
        """Put an alert on top; one whose names are corrected stays where it stands."""
        for place, line in enumerate(self._lines):
            if isinstance(line, RingEvent) and line.id == alert.id:
                if line.state is not alert.state:
                    break
                self._lines[place] = alert
                return
        self._lines.appendleft(alert)
