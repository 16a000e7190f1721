"""Large figures: they fill what they are given, and can be told apart."""

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from prehowl.daemon.sinks.dashboard.glyphs import ASCII, FIGURES, UNICODE
from prehowl.daemon.sinks.ringout.bigtype import (
    FEWEST_ROWS,
    Size,
    cells_of,
    in_air,
    large_word,
    quantity,
)
from prehowl.daemon.sinks.ringout.figure_rows import figure_rows, head_rows, word_rows
from prehowl.daemon.sinks.words import band_words
from prehowl.detectors.bands import NOMINAL_HZ

HEADS = ("PULL TO", "CHANGED TO", "MORE GAIN", "WAIT", "STOP", "SEND BACK", "NO INPUT", "NO NEWS")


@pytest.mark.parametrize("signs", [UNICODE, ASCII], ids=["blocks", "ascii"])
@pytest.mark.parametrize("rows", [5, 6, 7, 8, 11, 16, 23])
@pytest.mark.parametrize("wide", [1.0, 1.5, 2.0, 3.5])
def test_no_two_figures_look_alike_at_any_size(signs, rows, wide):
    """Definition: a 3 that looks like an 8 would send a hand to the wrong fader."""
    digits = [figure for figure in FIGURES if figure.isdigit()]
    drawn = {d: "\n".join(quantity(f"{d} dB", Size(rows, wide, 0), signs)) for d in digits}
    for one, other in itertools.combinations(digits, 2):
        assert drawn[one] != drawn[other]


@pytest.mark.parametrize("signs", [UNICODE, ASCII], ids=["blocks", "ascii"])
@pytest.mark.parametrize("is_faded", [False, True])
def test_a_quantity_has_its_rows_in_equal_width(signs, is_faded):
    """Definition: `rows` lines, all as wide as the first, with ink in the first and the last."""
    for band in NOMINAL_HZ:
        lines = quantity(band_words(band), Size(9, 1.5, 3), signs, is_faded=is_faded)
        assert len(lines) == 9
        assert len({len(line) for line in lines}) == 1
        assert lines[0].strip()
        assert lines[-1].strip()


@settings(deadline=None)
@given(
    st.sampled_from(NOMINAL_HZ),
    st.integers(5, 30),
    st.integers(2, 12),
    st.sampled_from([0, 3, 4, 7]),
    st.booleans(),
)
def test_the_width_is_known_before_drawing(band_hz, rows, wide, unit, is_ascii):
    """Property: what `cells_of` says is what `quantity` draws."""
    signs, size = ASCII if is_ascii else UNICODE, Size(rows, wide / 2, min(unit, rows))
    drawn = quantity(band_words(band_hz), size, signs)
    assert cells_of(band_words(band_hz), size, signs) == len(drawn[0])


@pytest.mark.parametrize("factor", [2, 3])
def test_a_whole_multiple_repeats_every_cell(factor):
    """Oracle: the shape itself; at whole multiples stretching is repetition."""
    plain = quantity("8 dB", Size(5, 1.0, 0), ASCII)
    large = quantity("8 dB", Size(5 * factor, float(factor), 0), ASCII)
    figure = [line[:6] for line in plain]
    repeated = ["".join(mark * factor for mark in row) for row in figure for _ in range(factor)]
    assert [line[: 6 * factor] for line in large] == repeated


@pytest.mark.parametrize("rows", range(5, 24))
def test_an_8_is_the_same_upside_down(rows):
    """Invariance: a stroke must not be thicker at the top than at the bottom."""
    lines = quantity("8 dB", Size(rows, 1.0, 0), ASCII)
    assert [line[:6] for line in lines] == [line[:6] for line in reversed(lines)]


def test_figures_fill_the_room_of_the_three_windows():
    """At 80x24, 120x40 and 200x60 figures of one fader are 9, 21 and 35 rows high or more.

    Own limit, from the layout's rows and the stretch that is allowed.
    """
    for rows, width, least in ((12, 78, 9), (25, 118, 15), (43, 198, 25)):
        drawn = figure_rows([("2.5 kHz", "-3 dB")], rows, width, UNICODE)
        assert len(drawn) == rows
        assert sum(bool(line.strip()) for line in drawn) >= least


@settings(deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from(NOMINAL_HZ), st.integers(0, 30)),
        min_size=1,
        max_size=2,
    ),
    st.integers(0, 40),
    st.integers(1, 200),
    st.booleans(),
    st.booleans(),
    st.booleans(),
)
def test_figures_never_leave_their_room(faders, rows, width, is_ascii, is_faded, has_choice):
    """Property: exactly the rows asked for, never wider than the room."""
    texts = [(band_words(band), f"{-half / 2:g} dB" if half else "0 dB") for band, half in faders]
    drawn = figure_rows(
        texts,
        rows,
        width,
        ASCII if is_ascii else UNICODE,
        chosen=0 if has_choice else None,
        is_faded=is_faded,
    )
    assert len(drawn) == rows
    assert all(len(line) <= max(width, 2) for line in drawn)


def test_two_faders_stand_in_one_size():
    """Neither looks the more important: the same number of lines with ink for both."""
    drawn = figure_rows([("2 kHz", "-1.5 dB"), ("2.5 kHz", "-2 dB")], 13, 78, UNICODE)
    gap = max(n for n, line in enumerate(drawn[1:-1], 1) if not line.strip())
    above, below = drawn[:gap], drawn[gap + 1 :]
    assert sum(bool(line.strip()) for line in above) == sum(bool(line.strip()) for line in below)
    assert sum(bool(line.strip()) for line in above) >= FEWEST_ROWS


@pytest.mark.parametrize("head", HEADS)
@pytest.mark.parametrize("rows", [4, 7])
def test_heads_have_their_rows_and_air(head, rows):
    """Definition: as many lines as asked, the first half row and the last half row without ink."""
    drawn = head_rows(head, "RINGS", rows, 118, UNICODE)
    assert len(drawn) == rows
    assert not set(drawn[0]) & {UNICODE.full, UNICODE.top}
    assert not set(drawn[-1]) & {UNICODE.full, UNICODE.bottom}


def test_air_moves_a_word_by_half_a_line():
    """Oracle: by hand, for the letter I in three rows."""
    word = large_word("I", 3, 1.0, UNICODE)
    assert word == ["▀█▀", " █ ", "▄█▄"]
    assert in_air(word, UNICODE) == ["▄▄▄", " █ ", " █ ", "▀▀▀"]


def test_words_that_cannot_be_drawn_are_left_out():
    """A letter without a shape, or a room that is too small: empty lines, never a broken word."""
    assert large_word("É", 6, 2.0, UNICODE) is None
    assert large_word("STOP", 3, 1.0, ASCII) is None
    assert word_rows(("SEND DOWN",), 6, 20, UNICODE) == [""] * 6
    assert any(line.strip() for line in word_rows(("SEND DOWN",), 6, 60, UNICODE))
