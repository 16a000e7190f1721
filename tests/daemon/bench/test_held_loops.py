"""What the fit of lines that linger learns from: which lines of a loop are its modes."""

from dataclasses import replace

import numpy as np

from prehowl.daemon.bench.cases import Case, TrueRing
from prehowl.daemon.bench.held_loops import (
    PIECE_S,
    SETTLE_S,
    UNDER_WORTH,
    Found,
    Truth,
    of_loops,
    truth_of,
)
from prehowl.daemon.bench.specs import draw_specs


def lines(*rows):
    """Make candidates of rows (sound, time, frequency); the time is what tells them apart."""
    item, time_s, hz = (np.array(column) for column in zip(*rows, strict=True))
    times = time_s.astype(np.float32)
    return Found(item.astype(np.int32), times, hz.astype(np.float32), times[:, None])


def loop(*, is_audible=True, other_modes=(), at_limit=False):
    """Make the truth of a loop that is held at 1 kHz from 2 s on."""
    return Truth(2.0, (1000.0, *other_modes), is_audible, at_limit)


def sorted_out(found, *truths):
    loops = of_loops(found, truths)
    return loops.held, loops.elsewhere


def times(found):
    return found.time_s.tolist()


def test_lines_at_a_mode_count_from_when_it_is_held_and_others_always():
    """Oracle: by hand: 2 % are 20 Hz at 1 kHz; the hold begins at 2 s, its tails a little later."""
    found = lines((0, 1.0, 1000.0), (0, 3.0, 1019.0), (0, 4.0, 1021.0), (0, 5.0, 300.0))
    held, beside = sorted_out(found, loop())
    assert times(held) == [3.0]
    assert times(beside) == [4.0, 5.0]
    just_begun = lines((0, 2.0 + SETTLE_S / 2, 1000.0))
    assert [times(part) for part in sorted_out(just_begun, loop())] == [[], []]


def test_the_next_mode_is_a_loop_too_and_at_low_frequencies_the_width_is_in_hertz():
    """Oracle: by hand: 2 % of 200 Hz are 4 Hz; nine are granted."""
    found = lines((0, 3.0, 208.0), (0, 4.0, 210.0))
    held, beside = sorted_out(found, loop(other_modes=(200.0,)))
    assert (times(held), times(beside)) == ([3.0], [4.0])


def test_a_mode_that_nobody_hears_is_neither_a_loop_nor_beside_it():
    """Oracle: definition. Each sound goes by its own loop."""
    found = lines((0, 3.0, 1000.0), (1, 4.0, 1000.0), (0, 5.0, 500.0))
    held, beside = sorted_out(found, loop(is_audible=False), loop())
    assert (times(held), times(beside)) == ([4.0], [5.0])


def test_a_mode_that_is_further_under_is_neither_learnt_as_a_loop_nor_as_none():
    """Oracle: definition: 2 kHz answers what is sung, and nobody could tell by how much."""
    found = lines((0, 3.0, 1000.0), (0, 4.0, 2000.0), (0, 5.0, 500.0))
    held, beside = sorted_out(found, replace(loop(at_limit=True), others_hz=(2000.0,)))
    assert (times(held), times(beside)) == ([3.0], [5.0])


def test_a_loop_at_its_limit_is_cut_into_pieces_and_one_under_it_is_one_that_weighs_more():
    """Oracle: by hand: 2 s each, from 2 s on, so 3.9 and 4.1 s fall into two."""
    found = lines(*((item, at, 1000.0) for item in (0, 1) for at in (3.0, 3.9, 4.1)))
    assert PIECE_S == 2.0
    loops = of_loops(found, [loop(at_limit=True), loop()])
    assert loops.piece.tolist() == [0, 0, 1, 2, 2, 2]
    assert loops.worth.tolist() == [1, 1, 1, *[UNDER_WORTH] * 3]


def test_the_truth_of_a_case_is_that_of_its_loudest_ring_and_of_all_its_modes():
    """Oracle: by hand, of a case that is made of two rings and one mode besides."""
    ring = TrueRing(500.0, 0, 0.01, -0.1, 3.0, None, None, None, -30.0)
    other = replace(ring, frequency_hz=900.0, crossing_s=2.5, loudest_db=-10.0)
    spec = replace(draw_specs("tune", 1, 1)[0], kind="held")
    none = np.zeros(0)
    case = Case(spec, "", none.astype("f4"), (ring, other), (1500.0,), (none, none), none)
    assert truth_of(case) == Truth(2.5, (500.0, 900.0, 1500.0), is_audible=True, at_limit=True)
    quiet = replace(case, spec=replace(spec, kind="marginal"), rings=(ring,))
    assert truth_of(quiet) == Truth(3.0, (500.0, 1500.0), is_audible=False, at_limit=False)
