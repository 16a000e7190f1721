"""OSC in as a command opens it: from the show file, with what the health line says of it."""

import contextlib
from collections.abc import Iterator, Sequence
from importlib.metadata import version

from prehowl.daemon.attach.subscribers import Subscribers
from prehowl.daemon.osc_in.receiver import Receiver
from prehowl.daemon.osc_in.verbs import Command
from prehowl.daemon.show.osc_tables import OscIn
from prehowl.daemon.sinks.base import OscInCounts


class OscInput:
    """The receiver of a show, or nothing where OSC in is off. A `CommandSource` of the desk."""

    def __init__(self, settings: OscIn) -> None:
        """Prepare; no port is opened before `listening`."""
        self.receiver: Receiver | None = None
        self._lets_attach = settings.attach
        if settings.port is not None:
            self.receiver = Receiver(
                settings.bind, settings.port, allow=settings.allow, verbs=settings.verbs
            )

    @contextlib.contextmanager
    def listening(self) -> Iterator["OscInput"]:
        """Listen inside the block.

        Raises
        ------
        NetworkError
            If the port cannot be had.
        """
        if self.receiver is None:
            yield self
            return
        self.receiver.start()
        try:
            yield self
        finally:
            self.receiver.close()

    def subscribers(
        self, *, title: str, numbers: Sequence[int], names: Sequence[str]
    ) -> list[Subscribers]:
        """Return the sink for those who attach, none where nobody may."""
        if self.receiver is None or not self._lets_attach:
            return []
        made = Subscribers(
            title=title,
            version=version("prehowl"),
            numbers=numbers,
            names=names,
            answer=self.receiver.answer,
        )
        self.receiver.inbox.ask = made.ask
        return [made]

    def take(self) -> list[Command]:
        """Return the commands that wait, oldest first."""
        return [] if self.receiver is None else self.receiver.take()

    def counts(self) -> OscInCounts | None:
        """Return what has come in so far, None where OSC in is off."""
        if self.receiver is None:
            return None
        counts = self.receiver.counts
        return OscInCounts(self.receiver.where, counts.taken, counts.refused)
