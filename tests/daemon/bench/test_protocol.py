"""The published protocols: how they count, on hand-worked cases, and the loops they use."""

import numpy as np
import pytest

from prehowl.daemon.bench import material, paths
from prehowl.daemon.bench.material import Excerpt
from prehowl.daemon.bench.peers.spectrogram import transform
from prehowl.daemon.bench.plants import AUDIBLE_MARGIN_DB
from prehowl.daemon.bench.protocol import accuracy, figures, loops, premature, report
from prehowl.daemon.bench.protocol.counting import Count, area, count, pairs
from prehowl.daemon.bench.protocol.features import FEATURES, PUBLISHED_F1
from prehowl.daemon.bench.score import Story
from prehowl.daemon.stage import truth
from prehowl.detectors.rings import RingChange, RingState

RATE = loops.RATE_HZ


def marks(text):
    """Fired bins of a frame from dots and crosses."""
    return np.array([[c == "x" for c in text]])


@pytest.mark.parametrize(
    ("text", "expected"), [("....", 0), ("x..x", 2), ("xx..", 1), ("xxx.", 2), ("xxxx", 2)]
)
def test_neighbouring_false_bins_count_as_one(text, expected):
    """Oracle: the protocol's rule: two adjacent false bins count as one; three are two."""
    assert pairs(marks(text)) == expected


def test_either_true_bin_is_a_hit_and_only_from_the_howls_start_on():
    """Oracle: by hand: bins 2 and 3; frames at 1 s (left out), 5 s (too early: false), 9 s (both:
    one hit), 10 s (one of them: a hit, and bin 5 a false one), 11 s (none: a miss), 14 s (late)."""
    end_s = np.array([1.0, 5.0, 9.0, 10.0, 11.0, 14.0])
    fired = np.concatenate(
        [marks(t) for t in ("xxxxxx", "..x...", "..xx..", "...x.x", "......", "..x...")]
    )
    assert count(fired, end_s, (2, 3), "full") == Count(hits=3, misses=1, false=2)
    assert count(fired, end_s, (2, 3), "early") == Count(hits=2, misses=1, false=2)


def test_f1_of_counts():
    """Oracle: by hand: precision 6/8, recall 6/10, F1 = 12/18; sums before shares."""
    total = Count(4, 2, 1) + Count(2, 2, 1)
    assert (total.precision, total.recall) == (0.75, 0.6)
    assert total.f1 == pytest.approx(2 / 3)
    assert Count().f1 == 0.0


def test_area_under_precision_and_recall():
    """Oracle: by hand: precision 1 up to recall 0.5, then down to 0.5 at recall 1: 0.5 + 0.375."""
    assert area([Count(5, 5, 0), Count(10, 0, 10)]) == pytest.approx(0.875)
    assert area([Count(0, 10, 0)]) == 0.0


def test_gain_follows_the_protocols_course():
    """Oracle: the protocol: 6 dB under the limit for 8 s, a rise of 1 s, then the limit."""
    gain = accuracy.trajectory(20 * RATE, 0.0)
    assert gain[[0, 8 * RATE, int(8.5 * RATE), 9 * RATE, -1]] == pytest.approx([-6, -6, -3, 0, 0])
    assert accuracy.trajectory(20 * RATE, 3.0)[-1] == 3.0


def test_a_course_passes_its_limit_when_it_says():
    """Oracle: by hand: 6 dB in 5 s from -3 dB pass 0 dB halfway, 5 dB after 3 s; 3 dB never."""
    passing = {course.name: course.passing_s for course in premature.COURSES}
    assert passing["ramp to +3 dB"] == pytest.approx(7.5)
    assert passing["ramp to +2 dB"] == pytest.approx(8.0)
    assert passing["step to +3 dB"] == pytest.approx(5.01)
    assert passing["ramp to the limit"] is None
    for course in premature.COURSES[1:]:
        gain = course.gain_db(15 * RATE)
        at = int(course.passing_s * RATE)
        assert gain[at - 2] < 0 < gain[at + 2]


def story(number, hz, *, suspect=None, alarm=None, cleared=None):
    """One ring id."""
    return Story(number, hz, suspect, alarm, cleared)


def test_alarms_before_the_passing_are_premature_at_any_frequency():
    """Oracle: by hand, passing at 7.5 s: an alarm elsewhere at 6 s is premature; a suspect at 7 s
    that becomes an alarm at 7.8 s is early warning and an alarm after 0.3 s."""
    told = [
        story(1, 300.0, alarm=6.0, cleared=6.5),
        story(2, 1000.0, suspect=7.0, alarm=7.8),
        story(3, 5000.0, suspect=9.0),
    ]
    found = premature.verdict("speech", premature.COURSES[2], 1001.0, told)
    assert (found.premature, found.early_suspects) == (1, 1)
    assert found.alarm_s == pytest.approx(0.3)
    stood = [story(1, 1000.0, alarm=7.0)]
    assert premature.verdict("speech", premature.COURSES[2], 1000.0, stood).alarm_s == 0.0
    never = premature.verdict("speech", premature.COURSES[0], 1000.0, stood)
    assert (never.alarm_s, never.premature) == (None, 1)


def test_what_the_engine_holds_is_one_bin_a_ring_at_a_time():
    """Oracle: by hand: 1000 Hz is bin 64 of 1024 at 16 kHz; suspect from 1 s, ringing from 2 s at
    1016 Hz (bin 65.02), cleared at 3 s."""

    def change(state, time_s, hz):
        return RingChange(
            1,
            0,
            RingState(state),
            int(time_s * RATE),
            None,
            hz,
            1000.0,
            -20.0,
            None,
            None,
            None,
            {},
        )

    told = [
        change("suspect", 1, 1000.0),
        change("ringing", 2, 1016.0),
        change("cleared", 3, 1016.0),
    ]
    end = (np.array([0.5, 1.0, 1.5, 2.0, 2.9, 3.0]) * RATE).astype(int)
    any_state = accuracy.held_bins(told, accuracy.READINGS["engine (any state)"], end)
    assert np.argwhere(any_state).tolist() == [[1, 64], [2, 64], [3, 65], [4, 65]]
    alarms = accuracy.held_bins(told, accuracy.ALARMS, end)
    assert np.argwhere(alarms).tolist() == [[3, 65], [4, 65]]


@pytest.mark.optional
@pytest.mark.skipif(not paths.has_rooms(), reason="needs pyroomacoustics (bench extra)")
def test_a_room_has_one_howl_at_the_stated_gain():
    """Oracle: Nyquist's condition on the finished response: the limit is 10 dB, there and nowhere
    else within 1 dB beyond two analysis bins."""
    taps, (howl_hz, *others_hz) = loops.room(np.random.default_rng(2))
    assert len(taps) == RATE
    assert truth.stability_limit_db(taps, RATE) == pytest.approx(loops.LIMIT_DB, abs=1e-6)
    hz, path_db = truth.phase_true(taps, RATE)
    assert hz[0] == pytest.approx(howl_hz)
    near = hz[path_db > path_db[0] - AUDIBLE_MARGIN_DB]
    assert sorted(others_hz) == pytest.approx(sorted(near[1:]))
    away = np.abs(hz - howl_hz) >= loops.LONE_HZ
    assert path_db[away].max() < path_db[0] - loops.LONE_DB


@pytest.mark.optional
@pytest.mark.skipif(not paths.has_rooms(), reason="needs pyroomacoustics (bench extra)")
def test_features_find_a_loop_held_at_its_limit_in_noise():
    """Oracle: physics: noise through a loop at its limit rings at the predicted frequency; the
    best F1 of NINOS2-T and of the plain level there is far above that of firing at random (about
    1 in 500 bins)."""
    piece = next(p for p in material.pieces("tune") if p.family == "noise")
    order = loops.Order("speech", Excerpt(piece, 0.0, 20.0, -20.0, 5), 5)
    (loop,), gain = loops.simulate([order], lambda n: accuracy.trajectory(n, 0.0))
    assert loop.is_heard
    assert gain[-1] == 0.0
    for feature in (f for f in FEATURES["speech"] if f.name in ("NINOS2-T", "PTPR")):
        view = transform(loop.samples, feature.framing, RATE)
        figure, end_s = feature.figure(view), view.end_s(np.arange(len(view.power)))
        bins = accuracy.true_bins(loop.howl_hz, feature.frame_length)
        best = max(count(figure >= t, end_s, bins, "full").f1 for t in feature.thresholds)
        assert best > 0.3


def made_by_hand():
    """Two files of speech, one dropped; one of music."""

    def counts(kind):
        names = [*accuracy.READINGS, *(f.name for f in FEATURES[kind])]
        steps = {f.name: len(f.thresholds) for f in FEATURES[kind]}
        return {
            (name, span): tuple(
                Count(6, 4, k) for k in range(steps.get(name, len(accuracy.FACTORS)))
            )
            for name in names
            for span in ("full", "early")
        }

    return [
        accuracy.FileCount("speech", "a", 1000.0, counts("speech")),
        accuracy.FileCount("speech", "b", 1000.0, None),
        accuracy.FileCount("music", "c", 1000.0, counts("music")),
    ]


def test_figures_and_report_hold_every_row():
    """Oracle: by hand: 6 hits, 4 misses, no false alarm at best: F1 = 0.75; the engine's default
    is its third setting, with 2 false: 12/18."""
    verdicts = [
        premature.Verdict("speech", "step to +3 dB", 1, 0, 0.15),
        premature.Verdict("speech", "step to +3 dB", 0, 2, None),
    ]
    told = {
        "split": "tune",
        "seed": 1,
        "over_db": 0.0,
        "accuracy": figures.accuracy(made_by_hand()),
        "premature": figures.premature(verdicts),
    }
    speech = told["accuracy"][0]
    assert (speech["files"], speech["dropped"]) == (1, 1)
    row = speech["rows"][0]
    assert row["full"]["f1"] == 0.75
    assert row["early_at_default"]["f1"] == pytest.approx(2 / 3, abs=1e-3)
    step = next(
        r for r in told["premature"] if (r["material"], r["course"]) == ("speech", "step to +3 dB")
    )
    assert (step["premature_alarms"], step["suspects_before"]) == (1, 2)
    assert step["alarmed_within_200_ms"]["share"] == 0.5
    text = "\n".join(report.lines(told))
    assert "0.88 / 0.74" in text
    assert all(name in text for name in PUBLISHED_F1["music"])
