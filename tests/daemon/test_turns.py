"""Turns between threads are short while the loop runs, and as before after it."""

import sys

from prehowl.daemon.turns import TURN_S, quick_turns


def test_turns_are_short_inside_and_as_before_after():
    """Oracle: the interpreter's own answer."""
    before_s = sys.getswitchinterval()
    with quick_turns():
        assert sys.getswitchinterval() <= TURN_S * 1.01 < before_s
    assert sys.getswitchinterval() == before_s


def test_who_has_made_them_shorter_keeps_that():
    """Oracle: the interpreter's own answer."""
    before_s = sys.getswitchinterval()
    sys.setswitchinterval(TURN_S / 5)
    try:
        with quick_turns():
            assert sys.getswitchinterval() < TURN_S / 2
    finally:
        sys.setswitchinterval(before_s)
