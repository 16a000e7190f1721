"""Trouble as plain lines: told once, by what changes, and at the end of a short run."""

import io
from dataclasses import replace

import pytest
from conformance import SinkConformance
from fakes import snapshot

from prehowl.daemon.facts import Fact, facts_of
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

    def test_a_stream_that_goes_on_is_told_in_the_time_of_the_whole(self):
        """A resumed ring-out has one time, on its own lines and on these."""
        stream = io.StringIO()
        sink = HealthLines(Log(stream), began_s=120.0)
        health = Health(SourceHealth(facts=facts_of(["the cable is warm"])))
        sink.on_snapshot(replace(snapshot(time_s=5.0), health=health))
        assert "2:05.0 the cable is warm" in stream.getvalue()

    def test_loss_and_return_are_told_once(self):
        """Oracle: definition. Each change is one line, with stream time."""
        gone = Health(SourceHealth("waiting", facts=facts_of(["'Box' lost (unplugged)"])))
        back = Health(SourceHealth("running", lost_samples=48000))
        assert self.lines(Health(), gone, gone, back, back) == [
            "prehowl: 0:01.0 'Box' lost (unplugged)",
            "prehowl: 0:03.0 the device is back",
            "prehowl: 0:03.0 input was lost; 48000 samples so far",
        ]

    def test_what_comes_while_another_fact_stands_is_told(self):
        """Oracle: definition. The rate stays another one for good; each further fact is a line when
        it comes and one when it is over, however its figures change meanwhile."""
        rate, silence = Fact("runs at 44100 Hz"), [Fact("silence", f" for {n} s") for n in (2, 3)]
        gone = Health(SourceHealth("waiting", facts=facts_of(["'Box' lost"])))
        back, *silent, well = (
            Health(SourceHealth(facts=(rate, *more))) for more in ((), silence[:1], silence[1:], ())
        )
        assert self.lines(Health(), gone, back, *silent, well, Health()) == [
            "prehowl: 0:01.0 'Box' lost",
            "prehowl: 0:02.0 the device is back: runs at 44100 Hz",
            "prehowl: 0:03.0 silence for 2 s",
            "prehowl: 0:05.0 no more: silence",
            "prehowl: 0:06.0 no more: runs at 44100 Hz",
        ]

    def test_a_device_that_is_away_ends_nothing(self):
        """Oracle: definition. Nothing is known of it then; on return it is told what still is."""
        silent = Health(SourceHealth(facts=facts_of(["silence"])))
        gone = Health(SourceHealth("waiting", facts=facts_of(["'Box' lost"])))
        assert self.lines(silent, gone, silent, gone, Health()) == [
            "prehowl: 0:00.0 silence",
            "prehowl: 0:01.0 'Box' lost",
            "prehowl: 0:02.0 the device is back: silence",
            "prehowl: 0:03.0 'Box' lost",
            "prehowl: 0:04.0 the device is back",
            "prehowl: 0:04.0 no more: silence",
        ]

    def test_many_channels_with_one_fault_are_one_line_each_way(self):
        """Oracle: definition. A further channel is one more line, of that channel alone."""
        dead = [Fact("exact zeros", ", dead", n, f"Vox {n}") for n in range(1, 7)]
        assert self.lines(
            Health(troubles=tuple(dead[:5])), Health(troubles=tuple(dead)), Health()
        ) == [
            "prehowl: 0:00.0 Vox 1, Vox 2, Vox 3, Vox 4 and 1 more: exact zeros, dead",
            "prehowl: 0:01.0 Vox 6: exact zeros, dead",
            "prehowl: 0:02.0 no more: Vox 1, Vox 2, Vox 3, Vox 4 and 2 more: exact zeros",
        ]

    def test_what_flickers_is_told_once_and_over_when_it_stayed_away(self):
        """Oracle: the rule, 30 s. A channel that clips with the music does not flood the lines;
        another channel's first is told at once."""
        clips = [Fact("clipping", channel=n, who=f"Vox {n}", flickers=True) for n in (1, 2)]
        hot = Health(troubles=(clips[0],))
        assert self.lines(*[hot, Health()] * 50, hot, Health(troubles=(clips[1],))) == [
            "prehowl: 0:00.0 Vox 1: clipping",
            "prehowl: 1:41.0 Vox 2: clipping",
        ]
        told = self.lines(hot, *[Health()] * 40, hot)
        assert told == [
            "prehowl: 0:00.0 Vox 1: clipping",
            "prehowl: 0:31.0 no more: Vox 1: clipping",
            "prehowl: 0:41.0 Vox 1: clipping",
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
