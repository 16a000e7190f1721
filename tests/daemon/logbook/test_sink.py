"""The logbook as a sink: it keeps what happens and, around an alarm, what was heard."""

import io
import re
from dataclasses import replace

import numpy as np
import pytest
import soundfile
from conformance import SinkConformance
from fakes import event, snapshot
from logbook.books import INFO, RATE_HZ, howl, small_disc, sound
from rig.watching import poll

from prehowl.daemon.errors import OutputError
from prehowl.daemon.events import Alert
from prehowl.daemon.facts import Fact, facts_of
from prehowl.daemon.logbook.diary import HealthDiary
from prehowl.daemon.logbook.reader import LogbookError, LogbookReader
from prehowl.daemon.logbook.records import Entry
from prehowl.daemon.logbook.sink import MOST_OPEN, ClipPlan, LogbookSink
from prehowl.daemon.logbook.store import DamagedError, Store
from prehowl.daemon.logbook.wall_clock import WallClock
from prehowl.daemon.sinks.base import Health, SampleTaker
from prehowl.daemon.sleep import SleepMeter
from prehowl.daemon.sources.base import SourceHealth
from prehowl.detectors.rings import RingState


class TestIsASink(SinkConformance):
    """It keeps the promises of every sink."""

    def make(self, tmp_path):
        """Return one for three channels."""
        return LogbookSink(tmp_path / "a.logbook", INFO)


@pytest.fixture
def opened(tmp_path):
    """Give a function that starts a sink on one file."""
    sinks = []

    def start(**options) -> LogbookSink:
        sink = LogbookSink(tmp_path / "show.logbook", INFO, **options)
        sink.start()
        sinks.append(sink)
        return sink

    yield start
    for sink in sinks:
        sink.close()


def read(tmp_path) -> LogbookReader:
    """Return a reader of that file."""
    return LogbookReader(tmp_path / "show.logbook")


def test_every_event_is_kept_as_its_record(opened, tmp_path):
    """Oracle: the record of docs/events.md itself."""
    events = howl(3, 1, 4.0)
    sink = opened()
    for one in events:
        sink.on_event(one)
    sink.close()
    with read(tmp_path) as reader:
        assert [line.data for line in reader.lines(kind="ring")] == [e.record() for e in events]
        assert [line.channel for line in reader.lines()] == [1] * 4


def test_a_clip_holds_what_the_channel_played_around_the_alarm(opened, tmp_path):
    """Oracle: the samples. 0.5 s before and 0.25 s after, of that channel, the alarm between."""
    sink = opened(clips=ClipPlan(before_s=0.5, after_s=0.25))
    assert isinstance(sink, SampleTaker)
    played = sound(2.0)
    played[:, 1] = np.linspace(-0.5, 0.5, len(played))
    for at in range(0, RATE_HZ, 480):
        sink.on_samples(played[at : at + 480])
    sink.on_event(event(RingState.RINGING, id=9, channel=2, time_s=0.99))
    for at in range(RATE_HZ, 2 * RATE_HZ, 480):
        sink.on_samples(played[at : at + 480])
    sink.close()
    with read(tmp_path) as reader:
        ((_, clip),) = reader.clips()
        ((_, spectrum),) = reader.spectra()
    heard, _rate = soundfile.read(io.BytesIO(clip.flac), dtype="float32")
    expected = played[RATE_HZ // 2 : RATE_HZ * 5 // 4, 1]
    np.testing.assert_allclose(heard, expected, atol=2 / 32767)
    assert (clip.ring, clip.channel, clip.time_s, clip.alarm_at_s) == (9, 2, 0.99, 0.5)
    assert (spectrum.ring, spectrum.channel) == (9, 2)


def test_one_ring_is_one_clip_and_a_suspect_is_none(opened, tmp_path):
    """Oracle: definition of an alarm: the first `ringing` or `howling` of an id."""
    sink = opened(clips=ClipPlan(before_s=0.1, after_s=0.1))
    sink.on_samples(sound(0.5))
    sink.on_event(event(RingState.SUSPECT, id=1))
    for one in howl(2, 5, 1.0):
        sink.on_event(one)
    sink.on_event(event(RingState.RINGING, id=3, channel=77))
    sink.close()
    with read(tmp_path) as reader:
        assert list(reader.clip_sizes()) == [(1, 2)]
        ((_, clip),) = reader.clips()
    assert soundfile.info(io.BytesIO(clip.flac)).frames == RATE_HZ // 10  # the end came early


def test_one_howl_on_many_channels_is_one_clip_of_the_channel_it_belongs_to(opened, tmp_path):
    """Oracle: definition. The mix alarms first, the microphone leads; later alarms add nothing."""
    alert = Alert(1, 1, "Vox 1", 1, 5, "Vox 1", "Mix 1")
    sink = opened(clips=ClipPlan(before_s=0.1, after_s=0.1))
    sink.on_samples(sound(0.5))
    for id, channel, at_s in ((1, 5, 1.0), (2, 1, 1.1), (3, 2, 1.2)):
        for one in howl(id, channel, at_s, alert=alert)[:3]:
            sink.on_event(one)
    sink.close()
    with read(tmp_path) as reader:
        ((_, clip),) = reader.clips()
        ((_, spectrum),) = reader.spectra()
        assert len(list(reader.lines(kind="ring"))) == 9
    assert (clip.ring, clip.channel, spectrum.channel) == (1, 1, 1)


def test_the_switch_keeps_all_audio_out_but_not_the_spectrum(opened, tmp_path):
    """Oracle: definition, and 2513 Hz as the tone of the first channel."""
    sink = opened(clips=ClipPlan(is_on=False))
    sink.on_samples(sound(1.0))
    sink.on_event(event(RingState.RINGING, channel=1))
    sink.close()
    with read(tmp_path) as reader:
        assert list(reader.clips()) == []
        ((_, spectrum),) = reader.spectra()
    peak_hz = np.argmax(spectrum.level_dbfs) * spectrum.bin_hz
    assert peak_hz == pytest.approx(2513, abs=spectrum.bin_hz)


def test_clips_stop_at_their_size_and_that_is_told(opened, tmp_path):
    """Oracle: definition. The file's clips stay below what was allowed; events go on."""
    sink = opened(clips=ClipPlan(before_s=0.5, after_s=0.1, most_mb=0.1), may_wait=True)
    for n in range(1, 9):
        sink.on_samples(sound(0.6))
        sink.on_event(event(RingState.RINGING, id=n, channel=1))
    sink.close()
    with read(tmp_path) as reader:
        sizes = reader.clip_sizes().values()
        assert 0 < sum(sizes) <= 100_000
        assert len(sizes) < 8
        assert sum(1 for _ in reader.lines(kind="ring")) == 8
        told = [line.data["text"] for line in reader.lines(kind="health")]
    assert told == ["clips have reached 0.1 MB; no further ones are kept"]


def test_more_alarms_at_one_time_than_clips_can_be_open_are_counted_and_told(opened, tmp_path):
    """Oracle: by count. Two alarms too many: their events stand, their clips are told as lost."""
    sink = opened(clips=ClipPlan(before_s=0.01, after_s=1.0), may_wait=True)
    sink.on_samples(sound(0.5))
    for n in range(MOST_OPEN + 2):
        sink.on_event(event(RingState.RINGING, id=n + 1, channel=1))
    sink.close()
    assert sink.missing == "2 clips of the logbook could not be written"
    with read(tmp_path) as reader:
        assert len(reader.clip_sizes()) == MOST_OPEN
        assert sum(1 for _ in reader.lines(kind="ring")) == MOST_OPEN + 2
        told = [line.data["text"] for line in reader.lines(kind="health")]
    assert told == ["2 clips from before this could not be kept"]


def test_changes_of_health_are_kept_once_each(opened, tmp_path):
    """Oracle: definition. Figures that change are no news; states are."""
    sink = opened()
    gone = SourceHealth("waiting", facts=facts_of(["'Box' lost (unplugged)"]))
    behind = [SourceHealth(facts=(Fact("analysis is behind", f" by 0.{n} s"),)) for n in (6, 7, 8)]
    states = [SourceHealth(), gone, gone, SourceHealth(lost_samples=480), *behind, SourceHealth()]
    for n, source in enumerate(states):
        health = Health(source, targets=(("tablet", "ok" if n < 2 else "refused"),))
        sink.on_snapshot(replace(snapshot(3, time_s=float(n)), health=health))
    sink.close()
    with read(tmp_path) as reader:
        told = [(line.time_s, line.data["text"]) for line in reader.lines(kind="health")]
        assert reader.runs()[0].last_time_s == len(states) - 1
    assert told == [
        (1.0, "'Box' lost (unplugged)"),
        (2.0, "tablet: refused"),
        (3.0, "the device is back"),
        (3.0, "480 samples lost, 480 in all"),
        (4.0, "analysis is behind by 0.6 s"),
        (7.0, "no more: analysis is behind"),
    ]


def test_a_fact_that_stands_hides_no_other_and_only_what_ended_is_no_more(opened, tmp_path):
    """Oracle: definition. The rate stays another one while silence comes and goes, also over a
    time without the device, of which nothing is known."""
    sink = opened()
    rate, silence = Fact("runs at 44100 Hz"), Fact("silence", " for 2 s")
    dead = [Fact("exact zeros", channel=n, who=f"Vox {n}") for n in (1, 2)]
    gone = SourceHealth("waiting", facts=facts_of(["lost"]))
    healths = [
        Health(SourceHealth(facts=(rate,))),
        Health(SourceHealth(facts=(rate, silence)), troubles=(dead[0],)),
        Health(gone, troubles=(dead[0], dead[1])),
        Health(SourceHealth(facts=(rate,)), troubles=(dead[1],)),
    ]
    for n, health in enumerate(healths):
        sink.on_snapshot(replace(snapshot(3, time_s=float(n)), health=health))
    sink.close()
    with read(tmp_path) as reader:
        told = [(line.time_s, line.data["text"]) for line in reader.lines(kind="health")]
    assert told == [
        (0.0, "runs at 44100 Hz"),
        (1.0, "silence for 2 s"),
        (1.0, "Vox 1: exact zeros"),
        (2.0, "lost"),
        (2.0, "Vox 2: exact zeros"),
        (3.0, "the device is back"),
        (3.0, "no more: silence"),
        (3.0, "no more: Vox 1: exact zeros"),
    ]


def test_only_the_receivers_of_now_are_remembered():
    """Oracle: definition. A show may name others at any time, in a watch of weeks."""
    diary = HealthDiary()
    for n in range(100):
        diary.changes(float(n), Health(targets=((f"tablet {n}", "refused"),)))
    told = diary.changes(100.0, Health(targets=(("tablet 99", "refused"), ("tablet 0", "refused"))))
    assert [change.text for change in told] == ["tablet 0: refused"]


def test_notes_of_others_are_kept_whatever_they_are(opened, tmp_path):
    """Oracle: definition. Anything with a record is an entry of the kind it calls itself."""

    class Told:
        time_s, channel = 2.5, 4

        def record(self):
            return {"type": "control", "verb": "hold", "act": "Second"}

    sink = opened()
    sink.on_note(Told())
    sink.close()
    with read(tmp_path) as reader:
        (line,) = reader.lines()
    assert (line.kind, line.channel, line.time_s, line.data["verb"]) == ("control", 4, 2.5, "hold")


def test_a_folder_that_is_not_there_is_told_at_the_start(tmp_path):
    """Oracle: definition. What only a person can mend ends the start, in one line."""
    sink = LogbookSink(tmp_path / "no" / "a.logbook", INFO)
    with pytest.raises(OutputError, match="cannot be written"):
        sink.start()


class TestAFullDisc:
    """A disc without room is said, waited for, and then caught up with."""

    def test_events_are_kept_until_there_is_room_again(self, tmp_path):
        """Oracle: the entries themselves, on a real file system of 600 kB."""
        with small_disc(tmp_path, "600k") as disc:
            path, ballast = disc / "show.logbook", disc / "ballast"
            sink = LogbookSink(path, INFO)
            sink.start()
            sink.keep(Entry("note", 0.0, {"n": 0}))
            poll(lambda: _notes(path) == [0], "the first entry is written")
            _fill(ballast)
            for n in range(1, 2000):
                sink.keep(Entry("note", n / 10, {"n": n, "words": "w" * 40}))
            poll(lambda: "not written (database or disk is full)" in sink.trouble(), "full")
            ballast.unlink()
            poll(lambda: sink.trouble() == "", "written again")
            sink.close()
            assert sink.missing == ""
            with LogbookReader(path) as reader:
                assert reader.soundness() == "ok"
                assert [line.data["n"] for line in reader.lines(kind="note")] == list(range(2000))
                told = [line.data["text"] for line in reader.lines(kind="health")]
        assert "not written" in told[0]
        assert told[-1] == "the logbook can be written again"

    def test_a_disc_that_is_full_from_the_start_is_no_reason_not_to_watch(self, tmp_path):
        """Oracle: definition. The start succeeds, the trouble is told, then all is caught up."""
        with small_disc(tmp_path, "400k") as disc:
            ballast = disc / "ballast"
            _fill(ballast)
            sink = LogbookSink(disc / "show.logbook", INFO)
            sink.start()
            sink.keep(Entry("note", 0.0, {"n": 1}))
            poll(lambda: "not written" in sink.trouble(), "trouble")
            ballast.unlink()
            poll(lambda: sink.trouble() == "", "well again")
            sink.close()
            with LogbookReader(disc / "show.logbook") as reader:
                assert [line.data["n"] for line in reader.lines(kind="note")] == [1]

    def test_the_end_is_quick_and_says_what_was_lost(self, tmp_path):
        """Oracle: definition. What could never be written is counted."""
        with small_disc(tmp_path, "400k") as disc:
            _fill(disc / "ballast")
            sink = LogbookSink(disc / "show.logbook", INFO)
            sink.start()
            for n in range(10):
                sink.keep(Entry("note", 0.0, {"n": n}))
            sink.close()
            path = re.escape(str(disc / "show.logbook"))
            words = rf"(\d+) entries of the logbook could not be written to {path}: .* is full"
            lost = re.fullmatch(words, sink.missing)
            assert lost is not None
            assert int(lost[1]) >= 10  # what it says of the disc may be among them


def _fill(ballast) -> None:
    """Write until nothing more fits."""
    with ballast.open("wb", buffering=0) as file:
        for size in (4096, 512, 1):
            try:
                while file.write(b"x" * size):
                    pass
            except OSError:
                continue


def test_a_file_that_is_taken_away_is_begun_anew(opened, tmp_path):
    """Oracle: definition. Somebody tidies up during the show: what follows is in a new file."""
    sink = opened()
    path = tmp_path / "show.logbook"
    sink.keep(Entry("note", 0.0, {"n": 1}))
    poll(lambda: _notes(path) == [1], "the first entry")
    path.rename(tmp_path / "tidied.logbook")
    sink.keep(Entry("note", 0.0, {"n": 2}))
    poll(lambda: _notes(path) == [2], "the second entry, in a new file")
    assert _notes(tmp_path / "tidied.logbook") == [1]


def test_a_file_that_proves_damaged_meanwhile_is_set_aside(opened, tmp_path, monkeypatch):
    """Oracle: definition. What SQLite calls corrupt is kept under another name; writing goes on."""
    sink = opened()
    path = tmp_path / "show.logbook"
    sink.keep(Entry("note", 0.0, {"n": 1}))
    poll(lambda: _notes(path) == [1], "the first entry")

    def torn(*_: object) -> None:
        monkeypatch.undo()
        raise DamagedError("database disk image is malformed")

    monkeypatch.setattr(Store, "write", torn)
    sink.keep(Entry("note", 0.0, {"n": 2}))
    poll(lambda: _notes(path) == [2], "the second entry, in a new file")
    assert "set aside as show.damaged-1.logbook" in sink.trouble()
    assert _notes(tmp_path / "show.damaged-1.logbook") == [1]


def test_a_clock_that_is_set_is_noted_and_changes_no_order(tmp_path):
    """Oracle: by hand. An hour back: entries stay in the order they came."""
    wall_s = [1e9]
    clock = WallClock(wall=lambda: wall_s[0], steady=lambda: 0.0)
    path = tmp_path / "show.logbook"
    sink = LogbookSink(path, INFO, clock=clock)
    sink.start()
    sink.keep(Entry("note", 1.0, {"n": 1}))
    poll(lambda: _notes(path) == [1], "the first entry")
    wall_s[0] -= 3600
    sink.keep(Entry("note", 2.0, {"n": 2}))
    poll(lambda: _notes(path) == [1, 2], "the second entry")
    sink.close()
    with LogbookReader(path) as reader:
        told = [line.data["text"] for line in reader.lines(kind="health")]
    assert told == ["the clock was set: -3600 s"]


@pytest.mark.parametrize(
    ("moved_s", "said"),
    [(0.5, ""), (-0.5, ""), (5.0, "the clock was set: +5 s"), (-5.0, "the clock was set: -5 s")],
)
def test_only_steps_are_told(moved_s, said, monkeypatch):
    """Oracle: definition. A time server's slewing is none."""
    monkeypatch.setattr("prehowl.daemon.logbook.wall_clock.SET", "was set")
    times = iter([0.0, moved_s])
    assert WallClock(wall=lambda: next(times), steady=lambda: 0.0).step() == said


@pytest.mark.parametrize(
    ("asleep_s", "set_s", "said"),
    [
        (600.0, 0.0, "the computer slept for 10 min"),
        (0.0, 600.0, "the clock was set: +600 s"),
        (45.0, -3600.0, "the computer slept for 45 s; the clock was set: -3600 s"),
    ],
)
def test_a_sleep_is_no_clock_that_is_set_nor_the_other_way_round(
    asleep_s, set_s, said, monkeypatch
):
    """Oracle: clock_gettime(2), by hand: a sleep moves the time of day and CLOCK_BOOTTIME and not
    CLOCK_MONOTONIC, setting moves the time of day alone."""
    monkeypatch.setattr("prehowl.daemon.logbook.wall_clock.SET", "was set")
    slept, was_set = [0.0], [0.0]
    meter = SleepMeter(awake=lambda: 50.0, always=lambda: 50.0 + slept[0])
    clock = WallClock(
        wall=lambda: 1e9 + slept[0] + was_set[0], steady=lambda: 50.0 + slept[0], sleep=meter
    )
    assert clock.step() == ""
    slept[0], was_set[0] = asleep_s, set_s
    assert [clock.step(), clock.step()] == [said, ""]


def _notes(path) -> list[int]:
    """Return the numbers written so far; a file that is being made holds none yet."""
    try:
        with LogbookReader(path) as reader:
            return [line.data["n"] for line in reader.lines(kind="note")]
    except LogbookError:
        return []


def test_clips_and_run_are_of_the_rate_that_the_device_came_back_at(opened, tmp_path):
    """Oracle: the samples, by count: 0.5 s before and 0.25 s after at either rate; a clip that was
    open at the change ends there."""
    sink = opened(clips=ClipPlan(before_s=0.5, after_s=0.25))
    sink.on_samples(sound(1.0))
    sink.on_event(event(RingState.RINGING, id=1, channel=1, time_s=1.0))
    sink.on_samples(sound(0.1))
    other_hz = 2 * RATE_HZ
    sink.on_rate(other_hz)
    for _ in range(3):
        sink.on_samples(sound(1.0))  # half a second of the new rate
    sink.on_event(event(RingState.RINGING, id=2, channel=1, time_s=2.6))
    sink.on_samples(sound(1.0))
    sink.close()
    with read(tmp_path) as reader:
        (first, second) = [clip for _, clip in reader.clips()]
        (run,) = reader.runs()
    assert (first.rate_hz, first.alarm_at_s) == (RATE_HZ, 0.5)
    assert (second.rate_hz, second.alarm_at_s) == (other_hz, 0.5)
    told = [soundfile.info(io.BytesIO(clip.flac)) for clip in (first, second)]
    assert [info.samplerate for info in told] == [RATE_HZ, other_hz]
    assert [info.frames for info in told] == [round(0.6 * RATE_HZ), round(0.75 * other_hz)]
    assert run.info.rate_hz == other_hz
