"""Words of the dashboard: trends, times, names that are safe on a terminal."""

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from prehowl.daemon.sinks.dashboard import examples
from prehowl.daemon.sinks.dashboard import wording as w
from prehowl.detectors.rings import RingState


@pytest.mark.parametrize(
    ("growth", "state", "words"),
    [
        (42.0, RingState.RINGING, "rising fast"),
        (9.0, RingState.SUSPECT, "rising slowly"),
        (0.4, RingState.HOWLING, "holding"),
        (0.4, RingState.RINGING, "lingering"),
        (-20.0, RingState.SUSPECT, "lingering"),
        (-200.0, RingState.SUSPECT, "fading"),
        (None, RingState.RINGING, ""),
        (42.0, RingState.CLEARED, ""),
    ],
)
def test_trend_in_words(growth, state, words):
    """Growth reads as one of five words. Oracle: the limits in the module, ours by choice."""
    event = examples.event(state)
    assert w.trend_words(_with(event, growth_db_per_s=growth)) == words


def test_an_old_trend_is_not_told_as_new():
    """Growth is measured once, at the event; TREND_S later only the time since then is true."""
    event = examples.event(RingState.HOWLING, time_s=100.0)
    event = _with(event, growth_db_per_s=42.0)
    assert w.progress_words(event, 100.0 + w.TREND_S - 0.1) == "rising fast"
    assert w.progress_words(event, 105.0) == "for 5 s"


def test_a_cut_reads_as_on_a_fader():
    """Oracle: hand-written; cuts attenuate, so they carry a minus; none known, none shown."""
    assert [w.cut_words(cut) for cut in (3.0, 4.5, None)] == ["-3 dB", "-4.5 dB", ""]
    assert w.band_and_cut(examples.event(RingState.RINGING)) == "2.5 kHz -3 dB"
    assert w.band_and_cut(_with(examples.event(RingState.RINGING), cut_db=None)) == "2.5 kHz"


def test_margin_says_on_which_side_of_the_limit():
    """Oracle: the sign convention of the event record, margin = -loop gain."""
    assert w.margin_words(-0.42) == "0.4 dB over the limit"
    assert w.margin_words(1.2) == "1.2 dB in hand"
    assert w.margin_words(None) == ""


def test_stream_time_and_age():
    """Oracle: hand-written times, cut down to whole seconds as on any clock."""
    assert [w.clock_words(t) for t in (0, 59.99, 754.0, 3661)] == [
        "0:00",
        "0:59",
        "12:34",
        "1:01:01",
    ]
    assert [w.age_words(t) for t in (0.9, 4.7, 119, 185)] == [
        "just now",
        "4 s ago",
        "119 s ago",
        "3 min ago",
    ]


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("", "Ch 3"),
        ("  \t ", "Ch 3"),
        ("\u200b", "Ch 3"),
        ("Vox\n1", "Vox 1"),
        ("\x1b[2JVox", "[2JVox"),
        ("A\u202eB", "AB"),
    ],
)
def test_a_name_cannot_move_the_cursor(name, shown):
    """Control and format characters are left out. Oracle: Unicode general categories Cc and Cf."""
    assert w.name_or_number(name, 3) == shown


@given(st.text(max_size=40))
def test_any_name_is_printable(name):
    """Oracle: no character of a category that controls instead of prints."""
    shown = w.name_or_number(name, 7)
    assert shown
    assert not {"Cc", "Cf", "Cs", "Zl", "Zp"} & {unicodedata.category(mark) for mark in shown}


@given(st.text(alphabet=st.characters(codec="utf-8"), max_size=30), st.integers(0, 30))
def test_fitted_text_is_exactly_as_wide_as_asked(text, cells):
    """Oracle: rich's own table of cell widths, for wide, combining and plain characters."""
    name = w.name_or_number(text, 1)
    assert cell_len(w.fitted(name, cells)) == cells


def test_cut_text_ends_in_an_ellipsis():
    """What is cut says so; what fits is left alone; a wide character is never halved."""
    assert w.cut_to("Accordion", 6) == "Accor…"
    assert w.cut_to("Vox 1", 6) == "Vox 1"
    assert w.cut_to("歌手歌手", 6) == "歌手…"
    assert w.to_ascii("Café · Gäst 歌") == "Cafe | Gast ?"


def test_parts_are_left_out_whole():
    """A part that does not fit is dropped, not cut in the middle of a figure."""
    assert w.joined(["RINGING Vox 1", "rising fast", "2512 Hz"], 26) == "RINGING Vox 1  rising fast"
    assert w.joined(["RINGING Vox 1", "rising fast", "2512 Hz"], 24) == "RINGING Vox 1  2512 Hz"


def _with(event, **changes):
    from dataclasses import replace

    return replace(event, **changes)
