"""A sink that fails is set aside and said so; the watch and the other sinks go on."""

from collections.abc import Callable
from contextlib import suppress
from typing import Any

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.events import RingEvent
from prehowl.daemon.sinks.base import SampleTaker, Sink, Snapshot


class Guarded:
    """Passes everything on to a sink until it raises; then closes it and passes nothing more.

    A `Sink`, a taker of samples and of notes, whatever the inner one is.
    """

    def __init__(
        self, sink: Sink, name: str, on_fault: Callable[["Guarded", Exception], None]
    ) -> None:
        """Guard `sink`.

        Parameters
        ----------
        sink : Sink
        name : str
            What it is, for people: "dashboard", "OSC".
        on_fault : callable
            Told of the fault, once; may raise to end the run after all.
        """
        self.name = name
        self.fault = ""
        """What went wrong; "" while all is well."""
        self._sink = sink
        self._on_fault = on_fault
        self._is_closed = False
        self._on_samples = sink.on_samples if isinstance(sink, SampleTaker) else None
        self._on_note = getattr(sink, "on_note", None)
        self._on_rate = getattr(sink, "on_rate", None)

    def start(self) -> None:
        """Start it. What cannot be started is the person's to know: faults pass."""
        self._sink.start()

    def on_event(self, event: RingEvent) -> None:
        """Pass on."""
        self._try(self._sink.on_event, event)

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Pass on."""
        self._try(self._sink.on_snapshot, snapshot)

    def on_samples(self, samples: NDArray[np.float32]) -> None:
        """Pass on, if it takes samples."""
        self._try(self._on_samples, samples)

    def on_note(self, note: object) -> None:
        """Pass on, if it takes notes."""
        self._try(self._on_note, note)

    def on_rate(self, rate_hz: int) -> None:
        """Pass on, if it wants to know."""
        self._try(self._on_rate, rate_hz)

    def close(self) -> None:
        """Close it once; a fault at the end is told as any other."""
        if self._is_closed:
            return
        self._is_closed = True
        try:
            self._sink.close()
        except Exception as fault:
            self._set_aside(fault)

    def _try(self, take: Callable[[Any], None] | None, what: object) -> None:
        if self.fault or take is None:
            return
        try:
            take(what)
        except Exception as fault:
            self._set_aside(fault)

    def _set_aside(self, fault: Exception) -> None:
        self.fault = f"{self.name} has failed and is left out: {type(fault).__name__}: {fault}"
        if not self._is_closed:
            self._is_closed = True
            # It may hold a terminal or a file; that it fails again on closing is no news.
            with suppress(Exception):
                self._sink.close()
        self._on_fault(self, fault)
