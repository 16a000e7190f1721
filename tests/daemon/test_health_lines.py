"""Trouble as plain lines: told once, by what changes, and at the end of a short run."""

import io
from dataclasses import replace

import pytest
from conformance import SinkConformance
from fakes import snapshot

from prehowl.daemon.log import Log
from prehowl.daemon.sinks.base import Health
from prehowl.daemon.sinks.health_lines import HealthLines
from prehowl.daemon.sinks.osc_link import LOOKING_UP
from prehowl.daemon.sources.base import SourceHealth


class TestHealthLines:
    """Trouble as lines of text."""

    class TestIsASink(SinkConformance):
        """It keeps the promises of every sink."""

        def make(self, tmp_path):
            """Return one."""
            return HealthLines(Log(io.StringIO()))

    def lines(self, *healths: Health) -> list[str]:
        """Return what is printed for one health a second."""
        stream = io.StringIO()
        sink = HealthLines(Log(stream))
        for time_s, health in enumerate(healths):
            sink.on_snapshot(replace(snapshot(time_s=float(time_s)), health=health))
        return stream.getvalue().splitlines()

    def test_no_news_is_no_line(self):
        """Oracle: definition."""
        assert self.lines(Health(), Health(load=0.5), Health()) == []

    def test_loss_and_return_are_told_once(self):
        """Oracle: definition. Each change is one line, with stream time."""
        gone = Health(SourceHealth("waiting", detail="'Box' lost (unplugged)"))
        back = Health(SourceHealth("running", lost_samples=48000))
        assert self.lines(Health(), gone, gone, back, back) == [
            "prehowl: 0:01.0 'Box' lost (unplugged)",
            "prehowl: 0:03.0 the device is back",
            "prehowl: 0:03.0 input was lost; 48000 samples so far",
        ]

    def test_a_receiver_in_trouble_is_told(self):
        """Oracle: definition. The change is told, also the one back to ok."""
        bad, good = (Health(targets=(("tablet", text),)) for text in ("unreachable", "ok"))
        assert self.lines(good, bad, bad, good) == [
            "prehowl: 0:01.0 OSC to tablet: unreachable",
            "prehowl: 0:03.0 OSC to tablet: ok",
        ]

    def test_a_receiver_that_stays_in_trouble_is_told_once(self):
        """Oracle: definition. A longer pause between tries, or one more lost message, is no news,
        nor is it that a name is being looked up; another fault is.
        """
        told = (
            LOOKING_UP,
            "no such name; trying again every 1 s",
            "no such name; trying again every 2 s",
            "too slow: 3 messages dropped",
            "too slow: 4 messages dropped",
        )
        assert self.lines(*(Health(targets=(("tablet", text),)) for text in told)) == [
            "prehowl: 0:01.0 OSC to tablet: no such name; trying again every 1 s",
            "prehowl: 0:03.0 OSC to tablet: too slow: 3 messages dropped",
        ]

    @pytest.mark.parametrize("state", [LOOKING_UP, "unreachable"])
    def test_a_run_too_short_for_news_tells_at_its_end(self, state):
        """Oracle: definition. What the receivers came to is asked once more when it closes."""
        stream = io.StringIO()
        sink = HealthLines(Log(stream), lambda: (("tablet", state), ("lamp", "ok")))
        sink.close()
        assert stream.getvalue() == f"prehowl: 0:00.0 OSC to tablet: {state}\n"
