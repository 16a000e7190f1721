"""The sinks of one watch, each guarded, and what they add to the health that all of them show."""

from collections.abc import Callable, Iterable
from dataclasses import replace

from prehowl.daemon.facts import Fact, facts_of
from prehowl.daemon.sinks.base import Health, OscInCounts, Sink
from prehowl.daemon.sinks.guard import Guarded

NOTICES = "notices"
"""Name of sinks that alone are no reason to go on: lines about health, OSC without a receiver."""


class Outlets:
    """Gathers sinks and where their trouble is to be read."""

    def __init__(self, say: Callable[[str], None]) -> None:
        """Begin without any; `say` gets a line when a sink is set aside."""
        self.sinks: list[Guarded] = []
        self._say = say
        self._troubles: list[Callable[[], str]] = []
        self._facts: list[Callable[[], Iterable[Fact]]] = []
        self._targets: Callable[[], tuple[tuple[str, str], ...]] = tuple
        self._osc_in: Callable[[], OscInCounts | None] = lambda: None

    def add(self, sink: Sink, name: str, *, trouble: Callable[[], str] | None = None) -> None:
        """Add a sink; `trouble` tells what is wrong with it, "" while all is well."""
        self.sinks.append(Guarded(sink, name, self._tell))
        if trouble is not None:
            self.tell_trouble(trouble)

    def tell_trouble(self, trouble: Callable[[], str]) -> None:
        """Take further trouble from there; "" while all is well."""
        self._troubles.append(trouble)

    def tell_facts(self, facts: Callable[[], Iterable[Fact]]) -> None:
        """Take what else is wrong from there, several things at once perhaps."""
        self._facts.append(facts)

    def tell_targets(self, targets: Callable[[], tuple[tuple[str, str], ...]]) -> None:
        """Take the state of the OSC targets from there."""
        self._targets = targets

    def tell_osc_in(self, counts: Callable[[], OscInCounts | None]) -> None:
        """Take what has come in over OSC from there."""
        self._osc_in = counts

    def completed(self, health: Health) -> Health:
        """Return the loop's health with what the sinks know."""
        own = [sink.fault for sink in self.sinks] + [told() for told in self._troubles]
        others = [fact for told in self._facts for fact in told()]
        troubles = (*health.troubles, *others, *facts_of(own))
        return replace(health, targets=self._targets(), osc_in=self._osc_in(), troubles=troubles)

    def _tell(self, sink: Guarded, fault: Exception) -> None:
        """Say so; end the run after all where nobody is left to be told of a ring."""
        is_deaf = all(other.fault or other.name == NOTICES for other in self.sinks)
        if is_deaf and isinstance(fault, BrokenPipeError):
            raise fault  # `prehowl watch | head`: the reader has gone, and nobody else listens
        self._say(sink.fault)
