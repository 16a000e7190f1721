"""What the fit of lines that linger learns from: which lines of a loop are its modes."""

from types import SimpleNamespace

import numpy as np

from prehowl.daemon.bench.fit_lingering import SETTLE_S, Found, of_loops
from prehowl.daemon.bench.score import AUDIBLE_DB


def lines(*rows):
    """Make candidates of rows (sound, time, frequency); the time is what tells them apart."""
    item, time_s, hz = (np.array(column) for column in zip(*rows, strict=True))
    times = time_s.astype(np.float32)
    return Found(item.astype(np.int32), times, hz.astype(np.float32), times[:, None])


def loop(*, loudest_db=0.0, other_modes=()):
    """Make the truth of a loop that is held at 1 kHz from 2 s on."""
    ring = SimpleNamespace(frequency_hz=1000.0, crossing_s=2.0, loudest_db=loudest_db)
    return SimpleNamespace(rings=(ring,), real_hz=other_modes)


def times(found):
    return found.time_s.tolist()


def test_lines_at_a_mode_count_from_when_it_is_held_and_others_always():
    """Oracle: by hand: 2 % are 20 Hz at 1 kHz; the hold begins at 2 s, its tails a little later."""
    found = lines((0, 1.0, 1000.0), (0, 3.0, 1019.0), (0, 4.0, 1021.0), (0, 5.0, 300.0))
    held, beside = of_loops(found, [loop()])
    assert times(held) == [3.0]
    assert times(beside) == [4.0, 5.0]
    just_begun = lines((0, 2.0 + SETTLE_S / 2, 1000.0))
    assert [times(part) for part in of_loops(just_begun, [loop()])] == [[], []]


def test_the_next_mode_is_a_loop_too_and_at_low_frequencies_the_width_is_in_hertz():
    """Oracle: by hand: 2 % of 200 Hz are 4 Hz; nine are granted."""
    held, beside = of_loops(lines((0, 3.0, 208.0), (0, 4.0, 210.0)), [loop(other_modes=(200.0,))])
    assert (times(held), times(beside)) == ([3.0], [4.0])


def test_a_mode_that_nobody_hears_is_neither_a_loop_nor_beside_it():
    """Oracle: definition. Each sound goes by its own loop."""
    found = lines((0, 3.0, 1000.0), (1, 4.0, 1000.0), (0, 5.0, 500.0))
    held, beside = of_loops(found, [loop(loudest_db=-AUDIBLE_DB), loop()])
    assert (times(held), times(beside)) == ([4.0], [5.0])
