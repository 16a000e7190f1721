"""What every source that wraps another one passes on unchanged."""

from prehowl.daemon.sources.base import Source, SourceHealth


class Around:
    """Base of sources around another source, which is closed with them; reading is theirs."""

    def __init__(self, source: Source) -> None:
        self._source = source

    @property
    def rate_hz(self) -> int:
        """Samples per second."""
        return self._source.rate_hz

    @property
    def channels(self) -> int:
        """Number of channels in every block."""
        return self._source.channels

    @property
    def names(self) -> tuple[str, ...]:
        """Channel names that the inner source knows."""
        return self._source.names

    def health(self) -> SourceHealth:
        """Return the inner source's state."""
        return self._source.health()

    def close(self) -> None:
        """Close the inner source."""
        self._source.close()
