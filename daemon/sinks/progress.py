"""A bar on the terminal that shows how far a recording is scanned."""

import contextlib
import sys
from collections.abc import Iterator

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from prehowl.daemon.events import RingEvent
from prehowl.daemon.sinks.base import Snapshot


@contextlib.contextmanager
def progress_bars() -> Iterator[Progress | None]:
    """Show bars on stderr where it is a terminal, else yield None.

    Lines printed meanwhile go above the bars; stdout is only touched where it is the terminal,
    too, so that a file or a pipe gets data alone.
    """
    if not sys.stderr.isatty():
        yield None
        return
    name = TextColumn("{task.description}", markup=False)
    with Progress(
        name,
        BarColumn(),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        transient=True,
        redirect_stdout=sys.stdout.isatty(),
    ) as progress:
        yield progress


class ProgressSink:
    """Moves one bar on with every snapshot."""

    def __init__(self, progress: Progress, name: str, duration_s: float) -> None:
        self._progress = progress
        self._task = progress.add_task(name, total=duration_s)

    def start(self) -> None:
        """Leave the bar at zero."""

    def on_event(self, event: RingEvent) -> None:
        """Let it pass: events are printed elsewhere."""

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Show how far the recording is."""
        self._progress.update(self._task, completed=snapshot.time_s)

    def close(self) -> None:
        """Take the bar away."""
        self._progress.update(self._task, visible=False)
