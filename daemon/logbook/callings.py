"""What the channels are called along a run: noted where it changes, read back for each act.

The rows of a run have the names of its start. An act of the running order may have others, and so
may a show file that is read again.
"""

from collections.abc import Iterable, Sequence

from prehowl.daemon.logbook.reader import Line, Run
from prehowl.daemon.logbook.records import ChannelRow, Entry, Kind, storable
from prehowl.daemon.logbook.story import ActStory
from prehowl.daemon.sinks.base import Snapshot


class NamesDiary:
    """Compares the names of each snapshot with those that are told. Used by one thread."""

    def __init__(self, rows: Sequence[ChannelRow]) -> None:
        """Begin with the names that the run is told with."""
        self._told = {row.number: row.name for row in rows}
        self._seen: tuple[str, ...] = ()

    def change(self, snapshot: Snapshot) -> Entry | None:
        """Return an entry with the names that are others now; None where there are none."""
        if snapshot.names in ((), self._seen):
            return None
        self._seen = snapshot.names
        now = dict(zip(self._told, map(storable, snapshot.names), strict=True))
        new = {number: name for number, name in now.items() if name != self._told[number]}
        self._told = now
        if not new:
            return None
        text = "called from now on: " + ", ".join(f"{n} {name}" for n, name in new.items())
        act = {} if snapshot.act is None else {"act": snapshot.act}
        names = {str(number): name for number, name in new.items()}
        return Entry(Kind.NAMES, snapshot.time_s, {"text": text, "names": names, **act})


def names_in(act: ActStory, run: Run, lines: Iterable[Line]) -> dict[int, str]:
    """Return what the channels were called in an act, at its end, by number."""
    names = {row.number: row.name for row in run.info.channels}
    for line in lines:
        if line.kind == Kind.NAMES and line.run == act.run and line.time_s < act.end_s:
            names |= {int(number): str(name) for number, name in line.data["names"].items()}
    return names
