"""What stands is told once, again when it has become surer, and once a second after."""

import numpy as np

from prehowl.detectors.telling import TOLD_EVERY_S, Telling

LOOK_S = 0.25


def told_at(suspicions: list[float], *, begins_at: int = -1) -> list[int]:
    """Return the looks at which one channel is told of."""
    telling, ch = Telling(2, LOOK_S), np.array([1])
    told = []
    for look, suspicion in enumerate(suspicions):
        if look == begins_at:
            telling.begin(ch)
        if telling.due(ch, np.array([suspicion], np.float32))[0]:
            told.append(look)
    return told


def test_it_is_told_once_and_then_now_and_then():
    """Oracle: definition."""
    every = round(TOLD_EVERY_S / LOOK_S)
    assert told_at([0.6] * 9) == [0, every, 2 * every]


def test_what_has_become_surer_is_told_at_once():
    """Oracle: definition; what is less sure again waits for its time."""
    assert told_at([0.6, 0.6, 1.0, 0.6, 0.6]) == [0, 2]


def test_what_says_nothing_is_never_told():
    """Oracle: definition."""
    assert told_at([0.0] * 9) == []


def test_something_else_is_told_at_once():
    """Oracle: definition: a new line on the same channel."""
    assert told_at([0.6] * 4, begins_at=2) == [0, 2]
