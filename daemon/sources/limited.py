"""A source that ends early: the `--seconds` of a command."""

import time
from dataclasses import replace

from prehowl.daemon.sources.around import Around
from prehowl.daemon.sources.base import Block, Source, SourceHealth


class LimitedSource(Around):
    """Ends another source after a time, or passes on its own earlier end."""

    def __init__(self, source: Source, limit_s: float, *, is_live: bool) -> None:
        """Wrap `source`.

        Parameters
        ----------
        source : Source
            Closed with this one.
        limit_s : float
            Seconds, > 0.
        is_live : bool
            True counts time on the clock, which goes on when a device delivers nothing; False
            counts samples, so that the end is the same at any pace.
        """
        super().__init__(source)
        self._left = round(limit_s * source.rate_hz)
        self._end_s = time.monotonic() + limit_s if is_live else None
        self._has_ended = False

    def read(self) -> Block | None:
        """Return the next block, None at the limit or at the inner source's end."""
        block = None if self._is_over() else self._source.read()
        if block is None:
            self._has_ended = True
        elif self._end_s is None:
            block = replace(block, samples=block.samples[: max(0, self._left - block.lost)])
            self._left -= block.lost + len(block.samples)
        return block

    def _is_over(self) -> bool:
        if self._has_ended or self._end_s is None:
            return self._has_ended or self._left <= 0
        return time.monotonic() >= self._end_s

    def health(self) -> SourceHealth:
        """Return the inner source's state, or `ended`."""
        health = super().health()
        return replace(health, state="ended") if self._has_ended else health

    def close(self) -> None:
        """Close the inner source."""
        self._has_ended = True
        super().close()
