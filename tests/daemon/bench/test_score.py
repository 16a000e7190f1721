"""Matching of events with true rings, on hand-worked cases."""

from dataclasses import replace

import numpy as np
import pytest

from prehowl.daemon.bench import plots, report, summary
from prehowl.daemon.bench.cases import RATE_HZ, Case, TrueRing
from prehowl.daemon.bench.cut_short import cut_short
from prehowl.daemon.bench.material import Excerpt, Kind, Piece
from prehowl.daemon.bench.records import Heard, HeardCase, HeardExcerpt
from prehowl.daemon.bench.score import score_case, stories
from prehowl.daemon.bench.specs import Spec
from prehowl.detectors.bands import nominal_hz
from prehowl.detectors.rings import RingChange, RingState

OCTAVE_SIXTH = 2 ** (1 / 6)


def change(ring, state, time_s, hz):
    """One change of one ring."""
    sample = round(time_s * RATE_HZ)
    return RingChange(
        ring, 0, RingState(state), sample, None, hz, nominal_hz(hz), -20.0, None, None, None, {}
    )


def ring(hz=1000.0, growth=50.0, crossing=3.0, takeover=4.0, gone=None, loudest=0.0):
    """One true ring."""
    return TrueRing(hz, growth, 0.01, 0.5, crossing, takeover, 4.5, gone, loudest)


def case(rings, changes, kind="step", real=()):
    """One case with what was said of it."""
    spec = Spec(0, "tune", kind, "resonance", "speech", "mic", 1000.0, 50.0, -20.0, 9.0, 1)
    return HeardCase(spec, "made", tuple(rings), tuple(real), tuple(changes))


def test_an_alarm_is_the_first_ringing_or_howling_of_an_id():
    """Oracle: the event contract: a suspect is no alarm; the first ringing or howling is."""
    told = stories(
        [
            change(1, "suspect", 1.0, 990.0),
            change(1, "ringing", 2.0, 1000.0),
            change(1, "howling", 2.5, 1001.0),
            change(2, "suspect", 2.6, 300.0),
            change(1, "cleared", 3.0, 1001.0),
        ]
    )
    assert [(s.suspect_s, s.alarm_s, s.cleared_s, s.frequency_hz) for s in told] == [
        (1.0, 2.0, 3.0, 1000.0),
        (2.6, None, None, 300.0),
    ]


def test_lead_error_and_band_of_an_alarm():
    """Oracle: by hand: alarm at 3.6 s, takeover at 4.0 s; 1 Hz at 1000 Hz is 1.730 cents."""
    scored = score_case(case([ring()], [change(1, "ringing", 3.6, 1001.0)]))
    assert scored.rings[0].lead_s == pytest.approx(0.4)
    assert scored.rings[0].error_cents == pytest.approx(1.730, abs=1e-3)
    assert scored.rings[0].is_right_band
    assert (scored.wrong_alarms, scored.early_alarms) == (0, 0)


def test_a_late_alarm_is_recalled_within_its_grace_only():
    """Oracle: by hand: 60 ms late is no recall by the takeover, but one within 100 ms."""
    late = score_case(case([ring()], [change(1, "howling", 4.06, 1000.0)])).rings[0]
    assert not late.alarmed_by(0.0)
    assert late.alarmed_by(0.1)


def test_alarms_far_from_every_mode_are_wrong_and_find_nothing():
    """Oracle: by hand: more than a sixth of an octave away; 3000 Hz is the third harmonic."""
    changes = [
        change(1, "ringing", 3.5, 1000.0 * OCTAVE_SIXTH * 1.01),
        change(2, "ringing", 3.6, 3000.0),
    ]
    scored = score_case(case([ring()], changes))
    assert scored.rings[0].alarm_s is None
    assert (scored.wrong_alarms, scored.harmonic_alarms) == (2, 1)


def test_another_mode_of_the_loop_is_not_wrong():
    """Oracle: definition: `real_hz` lists where else the loop may ring."""
    scored = score_case(case([ring()], [change(1, "ringing", 3.5, 2000.0)], real=(2000.0,)))
    assert scored.wrong_alarms == 0
    assert scored.rings[0].alarm_s is None


def test_one_alarm_serves_one_ring():
    """Oracle: one-to-one matching: two rings 100 cents apart, one alarm between: one is missed."""
    pair = [ring(1000.0), ring(1059.46)]
    scored = score_case(case(pair, [change(1, "ringing", 3.5, 1030.0)]))
    assert [r.alarm_s is None for r in scored.rings].count(True) == 1


def test_an_alarm_before_the_limit_counts_if_it_still_stands():
    """Oracle: definition: cleared again before the crossing, it warned of nothing."""
    early = [change(1, "ringing", 2.0, 1000.0)]
    stands = score_case(case([ring()], early))
    assert stands.rings[0].alarm_s == 2.0
    assert stands.early_alarms == 1
    gone = score_case(case([ring()], [*early, change(1, "cleared", 2.5, 1000.0)]))
    assert gone.rings[0].alarm_s is None


@pytest.mark.parametrize(("cleared_s", "in_time"), [(7.4, True), (7.6, False), (None, False)])
def test_cleared_in_time(cleared_s, in_time):
    """Oracle: by hand: gone at 6.0 s, so cleared is due by 7.5 s."""
    changes = [change(1, "ringing", 3.5, 1000.0)]
    if cleared_s is not None:
        changes.append(change(1, "cleared", cleared_s, 1000.0))
    scored = score_case(case([ring(gone=6.0)], changes, kind="pulled"))
    assert scored.rings[0].cleared_in_time is in_time


def test_a_ring_that_is_told_as_over_while_it_stands_is_counted():
    """Oracle: by hand: a ring at its top from 4 to 9 s; cleared at 5 s it stands, at 8.99 s the
    stream ends; another that is cleared while the ring is 40 dB down is right."""
    changes = (
        change(1, "ringing", 3.6, 1000.0),
        change(1, "cleared", 5.0, 1000.0),
        change(2, "ringing", 5.2, 1001.0),
        change(2, "cleared", 8.99, 1001.0),
        change(3, "ringing", 4.0, 300.0),
        change(3, "cleared", 7.0, 300.0),
    )
    told = case([ring(), ring(hz=300.0)], changes)
    time_s = np.arange(9000) / 1000
    stands = np.where(time_s > 4, -10.0, -60.0)
    gone = np.where((time_s > 4) & (time_s < 6.8), -10.0, -50.0)
    samples = np.zeros(9 * RATE_HZ, np.float32)
    made = Case(told.spec, "made", samples, told.rings, (), (stands, gone), np.zeros(9000))
    short = cut_short(made, changes)
    assert short == (1,)
    scored = score_case(replace(told, cut_short=short)).rings
    assert [(r.alarms, r.cut_short) for r in scored] == [(2, 1), (1, 0)]


def test_the_loops_next_mode_that_loses_is_not_the_ring_told_twice():
    """Oracle: by hand: a mode 40 cents off rings for a second beside the ring, and goes; a mode 2
    cents off is the ring itself, where the loop was changed."""
    ringing = [change(1, "ringing", 3.6, 1000.0)]
    beside = [change(2, "ringing", 3.7, 1023.5), change(2, "cleared", 5.0, 1023.5)]
    moved = [change(3, "ringing", 6.0, 1001.2), change(3, "cleared", 7.0, 1001.2)]
    told = case([ring()], [*ringing, *beside, *moved], real=(1023.4, 1001.2))
    stands = np.where(np.arange(9000) / 1000 > 4, -10.0, -60.0)
    samples = np.zeros(9 * RATE_HZ, np.float32)
    made = Case(told.spec, "made", samples, told.rings, told.real_hz, (stands,), np.zeros(9000))
    short = cut_short(made, told.changes)
    assert short == (3,)
    scored = score_case(replace(told, cut_short=short)).rings
    assert [(r.alarms, r.cut_short) for r in scored] == [(2, 1)]


def test_marginal_holds_want_a_suspect_and_no_alarm():
    """Oracle: definition: the hold begins at the crossing time; no ring is expected of it."""
    held = ring(takeover=None)
    suspected = score_case(case([held], [change(1, "suspect", 5.0, 1000.0)], kind="marginal"))
    assert (suspected.is_suspected, suspected.is_alarmed, suspected.rings) == (True, False, ())
    over = [change(1, "suspect", 1.0, 1000.0), change(1, "cleared", 2.0, 1000.0)]
    assert not score_case(case([held], over, kind="marginal")).is_suspected


def test_audible_tails_are_counted_apart():
    """Oracle: by hand: two holds, one 30 dB under the programme and not suspected, one heard."""
    told = [change(1, "suspect", 5.0, 1000.0)]
    heard = case([ring(takeover=None, loudest=-5.0)], told, kind="marginal")
    silent = case([ring(takeover=None, loudest=-30.0)], [], kind="marginal")
    figures = summary.summarise(Heard((heard, silent), ()))["marginal"]
    assert (figures["suspected"]["hits"], figures["suspected"]["of"]) == (1, 2)
    assert figures["suspected_of_audible"]["of"] == 1


def excerpt(family, seconds, changes=()):
    """One howl-free excerpt with what was said of it."""
    piece = Piece(f"{family}/x", "nuisance", family, "tune", Kind.MADE, 100.0)
    return HeardExcerpt(Excerpt(piece, 0.0, seconds, -20.0, 1), tuple(changes))


def run_by_hand():
    """Two rings, one found 0.4 s before the takeover; half an hour howl-free with one alarm."""
    heard_cases = (
        case([ring()], [change(1, "ringing", 3.6, 1000.0)]),
        case([ring(growth=500.0)], []),
    )
    told = [change(1, "suspect", 1.0, 440.0), change(1, "ringing", 2.0, 440.0)]
    return Heard(heard_cases, (excerpt("organ", 1200.0, told), excerpt("bells", 600.0)))


def test_summary_adds_up_by_class_and_family():
    """Oracle: by hand: one of one slow ring, none of one fast; one alarm in 1/3 h of organ = 3 an
    hour, in half an hour of all = 2 an hour with Garwood's (0.0253, 5.572) / 0.5 h."""
    figures = summary.summarise(run_by_hand())
    recalls = {row["name"]: row["recall_by_takeover"]["share"] for row in figures["growth"]}
    assert recalls == {
        "5-30 dB/s": None,
        "30-100 dB/s": 1.0,
        "100-300 dB/s": None,
        "300-800 dB/s": 0.0,
    }
    assert figures["targets"]["lead_s_to_100_db_per_s"]["median"] == pytest.approx(0.4)
    families = {row["name"]: row for row in figures["howl_free"]["families"]}
    assert families["organ"]["false_alarms"]["per_hour"] == 3.0
    assert families["bells"]["suspects"]["count"] == 0
    assert figures["howl_free"]["all"]["false_alarms"]["interval"] == [0.05, 11.14]


def test_what_one_channel_cannot_tell_is_in_no_total():
    """Oracle: by hand: the alarm on a lone swell counts in its own group; none with a reference."""
    piece = Piece("pure-swell/x", "indistinct", "pure-swell", "tune", Kind.MADE, 100.0)
    lone = HeardExcerpt(
        Excerpt(piece, 0.0, 360.0, -20.0, 1), (change(1, "ringing", 1.0, 500.0),), ()
    )
    free = summary.summarise(Heard((), (*run_by_hand().excerpts, lone)))["howl_free"]
    assert free["all"] == summary.summarise(run_by_hand())["howl_free"]["all"]
    groups = {row["name"]: row["false_alarms"]["per_hour"] for row in free["groups"]}
    assert groups["indistinct"] == 10.0
    assert free["with_reference"]["hours"] == 0.1
    assert free["with_reference"]["false_alarms"]["count"] == 0


@pytest.mark.optional
def test_both_pictures_of_a_run_are_drawn(tmp_path):
    """Oracle: definition; also where a class of growth has no ring at all."""
    pytest.importorskip("matplotlib", reason="needs the extra `bench`")
    heard = run_by_hand()
    plots.draw_detection(heard, summary.summarise(heard), tmp_path)
    for name in ("lead-against-growth.png", "recall-by-growth.png"):
        assert (tmp_path / name).stat().st_size > 5_000


def test_rings_without_a_rise_have_a_row_of_their_own():
    """Oracle: definition: up to 100 dB/s and a takeover within 0.1 s of the limit."""
    heard = Heard((case([ring(takeover=3.05)], []),), ())
    figures = summary.summarise(heard)
    assert figures["instant"]["rings"] == 1
    assert sum(row["rings"] for row in figures["growth"]) == 0


def test_rings_are_told_by_what_there_was_to_see_of_them():
    """Oracle: by hand: at 20 dB and more, from 10, from 4, and less; faster ones by themselves."""
    risen = ((50.0, 25.0), (50.0, 20.0), (50.0, 19.9), (50.0, 4.0), (50.0, 0.0), (200.0, 10.0))
    rings = [replace(ring(growth=growth), risen_db=db) for growth, db in risen]
    never = ring(takeover=None)
    heard = Heard(tuple(case((one,), ()) for one in (*rings, never)), ())
    figures = summary.summarise(heard)
    assert [row["rings"] for row in figures["in_sight"]] == [2, 1, 1, 1]
    assert [row["rings"] for row in figures["in_sight_faster"]] == [0, 1, 0, 0]


def test_report_names_every_row():
    """Oracle: the figures themselves: each class and family has its line, values in words."""
    run = {"split": "tune", "seed": 1, "modelled_rooms": True}
    figures = {**run, **summary.summarise(run_by_hand())}
    text = "\n".join(report.lines(figures))
    assert "without modelled rooms" not in text
    assert "without modelled rooms" in "\n".join(report.lines({**figures, "modelled_rooms": False}))
    for name in ("30-100 dB/s", "organ", "bells", "= all", "speech"):
        assert name in text
    assert "100.0 % (21-100)" in text  # 1 of 1: Wilson's low end is 1 / (1 + 1.96^2) = 0.2065
