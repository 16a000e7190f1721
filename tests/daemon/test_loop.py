"""The loop: order, honest time, pace, health, and a clean end in any case."""

import threading
import time
from dataclasses import replace

import fakes
import numpy as np
import pytest
from conformance import SinkConformance, SourceConformance
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from prehowl.daemon.alerts import Wiring
from prehowl.daemon.engine_swap import ReplaceableEngine
from prehowl.daemon.loop import run_loop
from prehowl.daemon.sources.base import Block
from prehowl.detectors.alerts import Tap
from prehowl.detectors.engine import ChannelSetup, Engine
from prehowl.detectors.rings import RingState

RATE = 48000
SECOND = np.zeros((RATE, 1), np.float32)


def run(blocks, engine=None, sinks=None, **options):
    """Run the loop over blocks with doubles for all that is not given."""
    engine = engine or fakes.FakeEngine()
    source = fakes.FakeSource(blocks, channels=engine.channels)
    options.setdefault("names", source.names)
    return run_loop(source, engine, sinks if sinks is not None else [], **options)


class TestFakeSource(SourceConformance):
    """The double keeps the promises of a source, so tests that use it mean something."""

    def make(self, tmp_path):
        return fakes.FakeSource(fakes.chopped(SECOND, [1, 4800, 7]))

    def test_close_may_be_called_twice(self, source):
        """The double only counts: it must not hide a loop that reads after closing."""
        source.close()
        source.close()
        assert source.close_count == 2


class TestFakeSink(SinkConformance):
    """The double keeps the promises of a sink."""

    def make(self, tmp_path):
        return fakes.FakeSink()


def test_events_reach_every_sink_in_order_with_names_and_seconds():
    """Sample counts become seconds and indices become names; oracle: by hand, 4800/48000 s."""
    script = [
        fakes.change(RingState.SUSPECT, sample=4800, onset_sample=2400),
        fakes.change(RingState.RINGING, sample=9600, onset_sample=2400),
    ]
    sinks = [fakes.FakeSink(), fakes.FakeSink()]
    run([Block(SECOND)], fakes.FakeEngine(script), sinks, names=["Vox 1"])
    assert sinks[0].events == sinks[1].events
    told = [(e.state, e.time_s, e.onset_s, e.channel, e.channel_name) for e in sinks[0].events]
    assert told == [
        (RingState.SUSPECT, 0.1, 0.05, 1, "Vox 1"),
        (RingState.RINGING, 0.2, 0.05, 1, "Vox 1"),
    ]


def test_the_engine_gets_every_sample_once_in_order():
    """Cutting blocks into pieces loses and doubles nothing; oracle: the samples themselves."""
    samples = np.arange(3 * 9999, dtype=np.float32).reshape(-1, 3)
    engine = fakes.FakeEngine(channels=3)
    result = run(fakes.chopped(samples, [1, 0, 5000, 17]), engine)
    np.testing.assert_array_equal(engine.audio, samples)
    assert result.samples == 9999
    assert engine.is_finished


def test_big_blocks_are_cut_so_that_events_leave_soon():
    """A ten-second block reaches the engine in pieces of at most 50 ms."""
    engine = fakes.FakeEngine()
    run([Block(np.zeros((10 * RATE, 1), np.float32))], engine)
    assert max(map(len, engine.pieces)) <= 0.05 * RATE


@pytest.mark.parametrize("lengths", [[], [1] * 50, [4799, 2, 9000], [48000]])
def test_snapshots_come_ten_times_a_second_of_stream_time(lengths):
    """Snapshots are at 0.1, 0.2, ... s however the source cuts; the last one is at the end."""
    sink = fakes.FakeSink()
    run(fakes.chopped(SECOND, lengths), sinks=[sink])
    times_s = [snapshot.time_s for snapshot in sink.snapshots]
    np.testing.assert_allclose(times_s, [*np.arange(1, 11) / 10, 1.0])


def test_snapshots_live_on_while_nothing_comes_in():
    """Empty blocks of a waiting device still give snapshots by the wall clock."""
    sink = fakes.FakeSink()
    stop = threading.Event()
    threading.Timer(0.35, stop.set).start()

    def silence():
        while True:
            time.sleep(0.01)
            yield Block(np.zeros((0, 1), np.float32))

    run(silence(), sinks=[sink], stop=stop)
    assert 3 <= len(sink.snapshots) <= 6


def test_a_snapshot_lists_living_rings_worst_first():
    """Howling before ringing before suspect, then by growth; a cleared ring is gone."""
    script = [
        fakes.change(RingState.SUSPECT, id=1, sample=10),
        fakes.change(RingState.RINGING, id=2, sample=20, growth_db_per_s=10.0),
        fakes.change(RingState.RINGING, id=3, sample=30, growth_db_per_s=60.0),
        fakes.change(RingState.HOWLING, id=4, sample=40, growth_db_per_s=None),
        fakes.change(RingState.RINGING, id=5, sample=50),
        fakes.change(RingState.CLEARED, id=5, sample=60),
    ]
    sink = fakes.FakeSink()
    run([Block(SECOND)], fakes.FakeEngine(script), [sink])
    assert [ring.id for ring in sink.snapshots[0].rings] == [4, 3, 2, 1]


def test_an_alarm_is_the_first_ringing_or_howling_of_an_id():
    """The contract of events: suspect is none, ringing then howling of one id is one."""
    script = [
        fakes.change(RingState.SUSPECT, id=1, ch=0, sample=10, frequency_hz=2600.0),
        fakes.change(RingState.RINGING, id=2, ch=1, sample=20),
        fakes.change(RingState.HOWLING, id=2, ch=1, sample=30),
        fakes.change(RingState.CLEARED, id=2, ch=1, sample=40),
        fakes.change(RingState.HOWLING, id=3, ch=1, sample=50),
        fakes.change(RingState.RINGING, id=4, ch=0, sample=60, frequency_hz=2650.0),
    ]
    engine = fakes.FakeEngine(script, channels=2)
    result = run([Block(np.zeros((RATE, 2), np.float32))], engine)
    assert result.alarms_by_channel == {1: 1, 2: 2}
    assert (result.alarms, result.events) == (3, 6)


def test_one_howl_on_two_channels_is_one_alarm_where_it_belongs():
    """Oracle: definition. The mix is first; the count goes to the told microphone at once."""
    script = [
        fakes.change(RingState.RINGING, id=1, ch=1, sample=10),
        fakes.change(RingState.RINGING, id=2, ch=0, sample=20),
        fakes.change(RingState.CLEARED, id=1, ch=1, sample=40),
    ]
    sink = fakes.FakeSink()
    wiring = Wiring((Tap(partners=frozenset({1})), Tap(True, frozenset({0}))), (None, "drum fill"))
    engine = fakes.FakeEngine(script, channels=2)
    result = run([Block(np.zeros((RATE, 2), np.float32))], engine, [sink], wiring=wiring)
    assert (result.alarms_by_channel, result.events) == ({1: 1}, 3)
    alerts = [event.alert for event in sink.events]
    assert [alert.channel for alert in alerts] == [2, 1, 1]
    assert {(alert.id, alert.mic, alert.mix, alert.wedge) for alert in alerts} == {
        (1, "Ch 1", "Ch 2", "drum fill")
    }


def test_selected_channels_keep_their_numbers():
    """Channel 7 of the interface stays 7 when it is the first one chosen."""
    sink = fakes.FakeSink()
    engine = fakes.FakeEngine([fakes.change(sample=10)])
    result = run([Block(SECOND)], engine, [sink], channel_numbers=[7])
    assert sink.events[0].channel == 7
    assert result.alarms_by_channel == {7: 1}


def test_names_must_fit_the_channels():
    """A wrong number of names is a fault of the caller, said with both figures."""
    with pytest.raises(ValueError, match=r"2 names .* for 1 channels"):
        run([], names=["a", "b"])


def test_short_gaps_become_silence_of_the_same_length():
    """1000 lost samples are 1000 zeros, so what follows keeps its time."""
    ones = np.ones((4800, 1), np.float32)
    engine = fakes.FakeEngine([fakes.change(sample=10000)])
    sink = fakes.FakeSink()
    result = run([Block(ones), Block(ones, lost=1000)], engine, [sink])
    expected = np.concatenate([ones, np.zeros((1000, 1), np.float32), ones])
    np.testing.assert_array_equal(engine.audio, expected)
    assert (result.samples, result.lost_samples) == (10600, 1000)
    assert sink.events[0].time_s == 10000 / RATE


def test_long_gaps_are_skipped_but_their_time_is_kept():
    """An hour without a device costs two seconds of silence; later events carry the hour."""
    hour = 3600 * RATE
    ones = np.ones((RATE, 1), np.float32)
    script = [
        fakes.change(id=1, sample=RATE, onset_sample=100),
        fakes.change(id=2, sample=int(3.5 * RATE), onset_sample=RATE // 2),
    ]
    engine, sink = fakes.FakeEngine(script), fakes.FakeSink()
    result = run([Block(ones), Block(ones, lost=hour)], engine, [sink])
    assert engine.consumed == 4 * RATE
    assert result.duration_s == 3602
    assert [event.time_s for event in sink.events] == [1.0, 3601.5]
    assert [event.onset_s for event in sink.events] == [100 / RATE, 0.5]
    assert sink.snapshots[-1].time_s == 3602


def test_the_last_silent_sample_before_a_skip_keeps_its_own_time():
    """An event on the very last sample of silence is dated at 3 s, not an hour later."""
    engine = fakes.FakeEngine([fakes.change(sample=3 * RATE)])
    sink = fakes.FakeSink()
    run([Block(SECOND), Block(SECOND, lost=3600 * RATE)], engine, [sink])
    assert sink.events[0].time_s == 3.0


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf, 3e38])
def test_samples_that_are_no_numbers_become_silence_and_are_said_once(bad):
    """NaN, infinities and absurd values reach no detector; one line and a count tell of them."""
    samples = np.full((RATE, 2), 0.5, np.float32)
    samples[4800, 1] = samples[9600, 0] = bad
    engine, said = fakes.FakeEngine(channels=2), []
    sink = fakes.FakeSink()
    result = run(fakes.chopped(samples, [5000]), engine, [sink], warn=said.append)
    expected = samples.copy()
    expected[4800, 1] = expected[9600, 0] = 0
    np.testing.assert_array_equal(engine.audio, expected)
    assert result.bad_samples == 2
    assert len(said) == 1
    assert "0.100 s" in said[0]
    assert "damaged samples taken as silence: 2 so far" in sink.snapshots[-1].health.source.detail


def test_load_is_analysis_time_per_stream_time():
    """An engine that takes 1 ms for each 50 ms of audio has a load near 2 %, never below."""

    class SlowEngine(fakes.FakeEngine):
        def feed(self, block):
            time.sleep(0.001 * len(block) / 2400)
            return super().feed(block)

    sink = fakes.FakeSink()
    run([Block(SECOND), Block(SECOND)], SlowEngine(), [sink])
    assert 0.02 <= sink.snapshots[-1].health.load < 0.5


def test_the_command_can_complete_the_health():
    """What only the command knows (targets) is added to each snapshot."""
    sink = fakes.FakeSink()

    def with_targets(health):
        return type(health)(health.source, health.load, 5, (("desk", "ok"),))

    run([Block(SECOND)], sinks=[sink], complete_health=with_targets)
    assert sink.snapshots[0].health.dropped_blocks == 5
    assert sink.snapshots[0].health.targets == (("desk", "ok"),)


def test_real_pace_lasts_as_long_as_the_audio():
    """0.5 s of audio take 0.5 s (from the first piece's due time on), not less."""
    began = time.monotonic()
    run([Block(SECOND[: RATE // 2])], pace="real")
    assert 0.47 <= time.monotonic() - began < 1.5


def test_real_pace_makes_up_for_a_slow_moment():
    """A hiccup of the engine does not shift what follows: no drift."""

    class HiccupEngine(fakes.FakeEngine):
        def feed(self, block):
            if not self.pieces:
                time.sleep(0.2)
            return super().feed(block)

    began = time.monotonic()
    run([Block(SECOND[: RATE // 2])], HiccupEngine(), pace="real")
    assert 0.47 <= time.monotonic() - began < 0.65


def test_a_stop_ends_the_run_with_final_events():
    """After a stop the engine is finished, its last events go out, and the result says so."""
    stop = threading.Event()

    def endless():
        yield Block(SECOND)
        stop.set()
        while True:
            yield Block(SECOND)

    engine = fakes.FakeEngine(at_finish=[fakes.change(RingState.CLEARED, sample=RATE)])
    sink = fakes.FakeSink()
    result = run(endless(), engine, [sink], stop=stop)
    assert result.was_stopped
    assert result.samples == RATE
    assert sink.calls == ["start", "event", "close"]


def test_a_stop_is_noticed_inside_a_long_block_at_real_pace():
    """A stop during an hour-long block ends the run within a moment."""
    stop = threading.Event()
    threading.Timer(0.1, stop.set).start()
    began = time.monotonic()
    run([Block(np.zeros((3600 * 8000, 1), np.float32))], stop=stop, pace="real")
    assert time.monotonic() - began < 1.0


@pytest.mark.parametrize("fault", [RuntimeError("torn"), KeyboardInterrupt()])
def test_everything_is_closed_after_a_fault(fault):
    """A fault in the source goes on to the caller, after sinks and source are closed."""

    class TornSource(fakes.FakeSource):
        def read(self):
            raise fault

    source, sinks = TornSource([]), [fakes.FakeSink(), fakes.FakeSink()]
    with pytest.raises(type(fault)):
        run_loop(source, fakes.FakeEngine(), sinks, names=["a"])
    assert source.close_count == 1
    assert [sink.calls for sink in sinks] == [["start", "close"]] * 2


def test_a_sink_that_cannot_start_leaves_the_others_closed():
    """The user asked for the impossible: what was opened before is closed again."""

    class BrokenSink(fakes.FakeSink):
        def start(self):
            raise OSError("no such screen")

    first, last = fakes.FakeSink(), fakes.FakeSink()
    source = fakes.FakeSource([Block(SECOND)])
    with pytest.raises(OSError, match="no such screen"):
        run_loop(source, fakes.FakeEngine(), [first, BrokenSink(), last], names=["a"])
    assert first.calls == ["start", "close"]
    assert last.calls == []
    assert source.close_count == 1


def test_one_sink_that_fails_to_close_does_not_keep_the_others_open():
    """All are closed, then the fault is raised."""

    class BadCloser(fakes.FakeSink):
        def close(self):
            raise OSError("disk full")

    first, last = fakes.FakeSink(), fakes.FakeSink()
    with pytest.raises(OSError, match="disk full"):
        run([Block(SECOND)], sinks=[first, BadCloser(), last])
    assert first.calls[-1] == last.calls[-1] == "close"


def howls():
    """Return 0.6 s of two channels of noise at 16 kHz; on the second, lines rise and stop."""
    rate_hz, n = 16000, 9600
    t = np.arange(n) / rate_hz
    samples = np.random.default_rng(2).normal(0, 0.001, (n, 2))
    for hz, onset_s, end_s in ((1000.0, 0.05, 0.45), (2200.0, 0.1, 0.6)):
        rise = 1e-3 * 10 ** (100 * (t - onset_s) / 20)
        samples[:, 1] += np.where((t > onset_s) & (t < end_s), rise, 0) * np.sin(2 * np.pi * hz * t)
    return rate_hz, samples.astype(np.float32)


def heard(blocks, rate_hz, **options):
    """Return the records of all events and the levels of all snapshots, by the real engine."""
    sink = fakes.FakeSink()
    source = fakes.FakeSource(blocks, channels=2, rate_hz=rate_hz)
    run_loop(source, Engine(rate_hz, [ChannelSetup()] * 2), [sink], names=["a", "b"], **options)
    levels = [(shot.time_s, *shot.level_dbfs, shot.suspicion.sum()) for shot in sink.snapshots]
    return [event.record() for event in sink.events], levels


@pytest.fixture(scope="module")
def whole():
    """The events and snapshots of the samples in one piece, and the samples."""
    rate_hz, samples = howls()
    events, levels = heard([Block(samples)], rate_hz)
    return rate_hz, samples, events, levels


def test_the_samples_of_the_property_hold_rings(whole):
    """The property below must not pass on nothing: a line alarms, on channel 2 only."""
    _, _, events, _ = whole
    alarmed = {(e["channel"], e["band_hz"]) for e in events if e["state"] in ("ringing", "howling")}
    assert (2, 2000) in alarmed
    assert len(events) >= 3
    assert {channel for channel, _ in alarmed} == {2}


@settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    lengths=st.lists(st.sampled_from([0, 1, 63, 64, 170, 171, 800, 1601]) | st.integers(0, 5000))
)
def test_the_same_samples_give_the_same_events_however_chopped(whole, lengths):
    """Events and snapshots depend on the samples alone; oracle: invariance against one block."""
    rate_hz, samples, events, levels = whole
    events_now, levels_now = heard(fakes.chopped(samples, lengths), rate_hz)
    assert events_now == events
    assert set(levels) <= set(levels_now)  # empty blocks may add some on a slow machine


def test_pace_and_snapshots_change_no_event(whole):
    """Real pace, or no snapshots at all, give the same events as full speed."""
    rate_hz, samples, events, _ = whole
    assert heard([Block(samples)], rate_hz, snapshot_s=None) == (events, [])
    assert heard([Block(samples)], rate_hz, pace="real")[0] == events


def test_a_lost_stretch_gives_the_events_of_silence_in_its_place(whole):
    """A gap of 50 ms: same events as if the source had sent zeros; oracle: invariance."""
    rate_hz, samples, _, _ = whole
    gap = round(0.05 * rate_hz)
    torn = [Block(samples[:4000]), Block(samples[4000 + gap :], lost=gap)]
    silent = samples.copy()
    silent[4000 : 4000 + gap] = 0
    assert heard(torn, rate_hz)[0] == heard([Block(silent)], rate_hz)[0]


@pytest.mark.parametrize("gap_s", [0.0, 3.0])
def test_another_rate_in_the_middle_clears_what_rings_and_time_goes_on(gap_s):
    """Oracle: by hand. One second at 48 kHz, a gap, one at 44.1 kHz: ids go on, the ring of
    before is cleared at 1.0 s, one of after is 0.5 s into its part, sinks are told the rate."""

    class Rates(fakes.FakeSink):
        def __init__(self):
            super().__init__()
            self.rates, self.notes = [], []

        def on_rate(self, rate_hz):
            self.rates.append((rate_hz, len(self.events)))

        def on_note(self, note):
            self.notes.append(note)

    first = fakes.FakeEngine(
        [fakes.change(sample=24000)], [fakes.change(RingState.CLEARED, sample=48000)]
    )
    second = fakes.FakeEngine([fakes.change(sample=22050, onset_sample=11025)])
    engine, sink = ReplaceableEngine(first), Rates()
    source = fakes.FakeSource([])

    def blocks():
        yield Block(SECOND)
        source.rate_hz = 44100
        yield Block(SECOND[:44100], round(gap_s * 44100))

    source._left = blocks()
    late = second.script[0]
    silence = round(min(gap_s, 2.0) * 44100)
    second.script = [replace(late, sample=late.sample + silence, onset_sample=silence + 11025)]
    done = run_loop(
        source, engine, [sink], names=["Vox"], on_rate=lambda _rate_hz: engine.restart(second)
    )
    told = [(e.id, str(e.state), round(e.time_s, 6)) for e in sink.events]
    assert told == [
        (1, "ringing", 0.5),
        (1, "cleared", 1.0),
        (2, "ringing", pytest.approx(1.5 + gap_s, abs=1e-4)),
    ]
    assert sink.events[2].onset_s == pytest.approx(1.25 + gap_s, abs=1e-4)
    assert sink.rates == [(44100, 2)]
    assert [(note.verb, note.time_s) for note in sink.notes] == [("rate", 1.0)]
    assert done.duration_s == pytest.approx(2 + gap_s, abs=1e-4)
    assert done.samples == 48000 + 44100 + round(gap_s * 44100)
    assert done.lost_samples == round(gap_s * 44100)
    times_s = [shot.time_s for shot in sink.snapshots]
    assert times_s == sorted(times_s)
    assert len([at_s for at_s in times_s if 1.01 + gap_s < at_s]) in (10, 11)
