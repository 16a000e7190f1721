"""What one watch listens to, with what the command knows of it."""

from collections.abc import Callable
from dataclasses import dataclass

from prehowl.daemon.errors import UsageError
from prehowl.daemon.pace import Pace
from prehowl.daemon.show import Show
from prehowl.daemon.show.tables import Kind
from prehowl.daemon.sinks.words import counted
from prehowl.daemon.sources.base import Source
from prehowl.detectors.engine import ChannelSetup, Engine


@dataclass(frozen=True, slots=True)
class Watched:
    """The source with what the command knows of it."""

    source: Source
    numbers: tuple[int, ...]  # on the interface or in the file, from 1
    title: str
    pace: Pace
    is_live: bool
    is_headless: bool
    format: str
    metrics_port: int | None
    reload: Callable[[], Show] | None  # reads the show again; None where SIGHUP means the end
    has_chosen: bool = False  # whether the command line names the channels

    def unwatched(self, show: Show) -> list[int]:
        """Return the channels that a show names and that are not watched here."""
        return [one.number for one in show.channels if one.number not in self.numbers]

    def names(self, show: Show) -> list[str]:
        """Return a name for each channel: the show's, else the source's own."""
        most = max(self.numbers)
        known = [""] * most
        for number, name in zip(self.numbers, self.source.names, strict=True):
            known[number - 1] = name
        names = show.names(most, known)
        return [names[number - 1] for number in self.numbers]

    def setups(self, show: Show) -> list[ChannelSetup]:
        """Return what the engine should know of each channel."""
        setups = show.setups(max(self.numbers))
        return [setups[number - 1] for number in self.numbers]

    def kinds(self, show: Show) -> list[Kind]:
        """Return what arrives on each channel."""
        told = {channel.number: Kind(channel.kind) for channel in show.channels}
        return [told.get(number, Kind.MIC) for number in self.numbers]

    def engine(self, show: Show, rate_hz: int | None = None) -> Engine:
        """Return an engine for a show, at the source's rate unless another is given.

        Raises
        ------
        UsageError
            If there is none for that rate.
        """
        setups, rate_hz = self.setups(show), rate_hz or self.source.rate_hz
        try:
            return Engine(rate_hz, setups)
        except ValueError as fault:
            raise UsageError(
                f"{fault}. The rate is {rate_hz} Hz with {counted(len(setups), 'channel')}"
            ) from None
