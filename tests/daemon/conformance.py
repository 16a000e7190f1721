"""What every source and every sink must do, whatever stands behind it.

Use: subclass in a test module, name it `Test...`, and give the factory.

    class TestMySource(SourceConformance):
        def make(self, tmp_path): return MySource(...)   # a stream that ends by itself

    class TestMySink(SinkConformance):
        def make(self, tmp_path): return MySink(...)
"""

import time
from pathlib import Path

import numpy as np
import pytest
from fakes import event, snapshot

from prehowl.daemon.sinks.base import Sink
from prehowl.daemon.sources.base import Block, Source
from prehowl.detectors.rings import RingState

LONGEST_READ_S = 1.0
"""A read must return within 0.1 s; the rest is for a busy machine."""
LONGEST_CALL_S = 0.1
LONGEST_CLOSE_S = 2.0


class SourceConformance:
    """The promises of `daemon/sources/base.py`."""

    most_reads = 10_000

    def make(self, tmp_path: Path) -> Source:
        """Return a fresh source that ends by itself within `most_reads` reads."""
        raise NotImplementedError

    @pytest.fixture
    def source(self, tmp_path: Path):
        """Give a source and close it."""
        source = self.make(tmp_path)
        yield source
        source.close()

    def read_all(self, source: Source) -> list[Block]:
        """Return all blocks up to the end."""
        blocks = []
        for _ in range(self.most_reads):
            block = source.read()
            if block is None:
                return blocks
            blocks.append(block)
        raise AssertionError(f"no end after {self.most_reads} reads")

    def test_says_what_it_is(self, source):
        """Rate and channel count are positive, and there is one name a channel (the protocol)."""
        assert source.rate_hz > 0
        assert source.channels > 0
        assert len(source.names) == source.channels
        assert all(isinstance(name, str) and name for name in source.names)

    def test_blocks_are_float32_of_samples_by_channels(self, source):
        """Every block has the documented shape and type, and audio comes at all."""
        blocks = self.read_all(source)
        assert sum(len(block.samples) for block in blocks) > 0
        for block in blocks:
            assert block.samples.dtype == np.float32
            assert block.samples.ndim == 2
            assert block.samples.shape[1] == source.channels
            assert block.lost >= 0

    def test_a_block_stays_what_it_was(self, source):
        """A block that is kept does not change under later reads."""
        first = source.read()
        copy = first.samples.copy()
        self.read_all(source)
        np.testing.assert_array_equal(first.samples, copy)

    def test_the_end_stays_the_end(self, source):
        """After None comes None again, and health says `ended`."""
        self.read_all(source)
        assert source.read() is None
        assert source.health().state == "ended"

    def test_a_read_returns_soon(self, source):
        """No read holds up the loop, so that a stop is noticed."""
        for _ in range(5):
            began = time.monotonic()
            source.read()
            assert time.monotonic() - began < LONGEST_READ_S

    def test_health_answers_before_during_and_after(self, source):
        """`health` may be called at any time, also when all is closed."""
        assert source.health().lost_samples >= 0
        source.read()
        assert source.health().overflows >= 0
        source.close()
        assert source.health().state

    def test_close_may_be_called_twice(self, source):
        """A second close does nothing, and a closed source gives no audio."""
        source.close()
        source.close()
        block = source.read()
        assert block is None or len(block.samples) == 0


class SinkConformance:
    """The promises of `daemon/sinks/base.py`."""

    def make(self, tmp_path: Path) -> Sink:
        """Return a fresh sink for at least one channel."""
        raise NotImplementedError

    @pytest.fixture
    def sink(self, tmp_path: Path):
        """Give a started sink and close it."""
        sink = self.make(tmp_path)
        sink.start()
        yield sink
        sink.close()

    @pytest.mark.parametrize("state", list(RingState))
    def test_takes_an_event_of_every_state_at_once(self, sink, state):
        """No event holds up detection."""
        began = time.monotonic()
        sink.on_event(event(state))
        assert time.monotonic() - began < LONGEST_CALL_S

    def test_takes_what_is_not_known(self, sink):
        """Figures that are None, and a name with marks of other scripts, pass."""
        sink.on_event(event(growth_db_per_s=None, cut_db=None, channel_name="Gäst 歌手 1"))
        sink.on_snapshot(snapshot(rings=[event(growth_db_per_s=None, cut_db=None)]))

    def test_a_flood_does_not_hold_up_the_loop(self, sink):
        """A thousand events and a hundred snapshots take at most a millisecond each."""
        began = time.monotonic()
        for n in range(1000):
            sink.on_event(event(id=n))
            if n % 10 == 0:
                sink.on_snapshot(snapshot(time_s=n / 100))
        assert time.monotonic() - began < 1.1

    def test_close_is_quick_also_without_any_event(self, tmp_path):
        """Start and close alone do no harm and end within their second."""
        sink = self.make(tmp_path)
        sink.start()
        began = time.monotonic()
        sink.close()
        assert time.monotonic() - began < LONGEST_CLOSE_S

    def test_close_is_quick_after_events(self, tmp_path):
        """What is pending goes out or is given up within the promised second."""
        sink = self.make(tmp_path)
        sink.start()
        for n in range(100):
            sink.on_event(event(id=n))
        began = time.monotonic()
        sink.close()
        assert time.monotonic() - began < LONGEST_CLOSE_S
