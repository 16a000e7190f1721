"""The ring-out screen as a picture: exact in size, the same words in every theme, words for all."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len

from prehowl.daemon.ringout.acts import Interrupted
from prehowl.daemon.ringout.session import step
from prehowl.daemon.ringout.state import Help, Phase, Reason, Remark
from prehowl.daemon.sinks.base import Health
from prehowl.daemon.sinks.dashboard.glyphs import ASCII, UNICODE
from prehowl.daemon.sinks.dashboard.themes import BY_NAME, DARK, LIGHT, PLAIN
from prehowl.daemon.sinks.ringout import cautions, examples
from prehowl.daemon.sinks.ringout.model import STALE_S, Model
from prehowl.daemon.sinks.ringout.page import page_of
from prehowl.daemon.sinks.ringout.render import render
from prehowl.daemon.sinks.ringout.wording import HELPS, REASONS, REMARKS, pull_sentence, task_words
from prehowl.daemon.sources.base import SourceHealth

NOW_S = 100.0
WINDOWS = ((80, 24), (120, 40), (200, 60))


def drawn(moment, width=80, height=24, theme=DARK, signs=UNICODE):
    """Return a moment as text."""
    view = examples.moment(moment, now_s=NOW_S).view(NOW_S)
    return render(view, width, height, theme, NOW_S, signs).text()


@pytest.mark.parametrize("moment", examples.MOMENTS)
@pytest.mark.parametrize(("width", "height"), WINDOWS)
@pytest.mark.parametrize("signs", [UNICODE, ASCII], ids=["blocks", "ascii"])
def test_a_frame_is_exactly_as_large_as_the_window(moment, width, height, signs):
    """Definition: nothing wraps, nothing scrolls; in ASCII nothing else is printed."""
    lines = drawn(moment, width, height, signs=signs).split("\n")
    assert len(lines) == height
    assert {cell_len(line) for line in lines} == {width}
    assert signs is UNICODE or all(line.isascii() for line in lines)


@settings(deadline=None)
@given(st.integers(1, 130), st.integers(1, 50), st.sampled_from(examples.MOMENTS))
def test_any_window_is_filled(width, height, moment):
    """Property: the same for windows of any size."""
    lines = drawn(moment, width, height).split("\n")
    assert len(lines) == height
    assert {cell_len(line) for line in lines} == {width}


@pytest.mark.parametrize("moment", examples.MOMENTS)
def test_themes_differ_in_looks_only(moment):
    """Never colour alone: the printed characters are the same in all themes."""
    texts = {drawn(moment, theme=theme) for theme in BY_NAME.values()}
    assert len(texts) == 1


@pytest.mark.parametrize("theme", [DARK, LIGHT], ids=["dark", "light"])
def test_figures_have_the_most_contrast_of_the_theme(theme):
    """Black on white or white on black: for sun, and for three metres."""
    frame = render(examples.moment("pull").view(NOW_S), 80, 24, theme, NOW_S)
    inks = {
        (part.style.color.name, part.style.bgcolor.name)
        for line in frame.lines[5:14]
        for part in line
        if UNICODE.full in part.text
    }
    assert inks == ({("#ffffff", "#000000")} if theme is DARK else {("#000000", "#ffffff")})


def test_the_plain_theme_brings_no_colour():
    """A terminal without colours is told only bold and reverse."""
    frame = render(examples.moment("pull").view(NOW_S), 80, 24, PLAIN, NOW_S)
    assert {part.style.color for line in frame.lines for part in line} == {None}


@pytest.mark.parametrize(
    ("moment", "words"),
    [
        ("listening", ("A little more gain, or a step nearer", "Counted: 315 Hz -2.5 dB.")),
        ("pull", ("Pull 2.5 kHz 2 dB further, to -5 dB.", "It rings here again.", "2549 Hz")),
        ("between", ("Between two faders, pull both: 10 kHz -2 dB + 12.5 kHz -1.5 dB.",)),
        ("checking", ("Wait: is it gone?",)),
        ("advised", ("The cuts lie side by side", "turn the mic", "less level in this mix")),
        ("finished", ("Pull the send back by 6 dB.", "6.5 ± 0.8 dB, measured", "mix-3-hand-mic")),
        ("no-input", ("Send down. NO INPUT: interface unplugged", "CHECK: input waiting")),
    ],
)
def test_each_moment_says_what_to_do_in_plain_words(moment, words):
    """At 80x24 the sentence, the faders that are down and the keys are all there."""
    text = drawn(moment)
    for word in words:
        assert word in text
    assert "315 Hz -2.5" in text
    if moment != "finished":
        assert "FF finish" in text
        assert "QQ quit" in text


def test_the_ring_stays_when_the_sound_has_stopped():
    """The instruction is the same, and says that it is over and what will be counted."""
    state = examples.state("pull")
    model = examples.moment("pull", now_s=NOW_S)
    model.take_state(replace(state, ring=replace(state.ring, is_sounding=False)), NOW_S)
    page = page_of(model.view(NOW_S), NOW_S)
    assert (page.head, page.right) == ("PULL TO", "GONE")
    assert page.faders == (("2.5 kHz", "-5 dB"),)
    assert "counts as pulled in a moment" in " ".join(page.sentences)


def test_after_an_interruption_the_screen_asks_for_an_answer():
    """Nothing is promised to count by itself: only the person knows whether it was pulled."""
    state = examples.state("pull")
    model = examples.moment("pull", now_s=NOW_S)
    model.take_state(step(state, Interrupted(state.time_s)), NOW_S)
    page = page_of(model.view(NOW_S), NOW_S)
    assert (page.head, page.right) == ("PULL TO", "ANSWER")
    assert page.faders == (("2.5 kHz", "-5 dB"),)
    said = " ".join(page.sentences)
    assert "RETURN if it is pulled, X if not" in said
    assert "in a moment" not in said
    assert "say whether this is pulled" in task_words(model.state)  # in lines and over OSC
    assert "say whether" not in task_words(state)


def test_a_correction_is_told_as_one():
    """The large word says that the figures are the person's own, and what they were to be."""
    model = examples.moment("pull", now_s=NOW_S)
    model.press("further", NOW_S)
    page = page_of(model.view(NOW_S), NOW_S)
    assert page.head == "CHANGED TO"
    assert page.faders == (("2.5 kHz", "-5.5 dB"),)
    assert page.sentences[:2] == (
        "Changed by you: 2.5 kHz to -5.5 dB. RETURN counts it.",
        "It was to be: 2.5 kHz to -5 dB.",
    )


@pytest.mark.parametrize("phase", [p for p in Phase if p is not Phase.FINISHED])
def test_silence_from_the_audio_never_looks_like_a_quiet_stage(phase):
    """Whatever the phase, without news the screen says so and asks for the send to go down."""
    model = examples.moment("listening", now_s=NOW_S)
    model.take_state(replace(examples.state("pull"), phase=phase, reason=Reason.ENOUGH), NOW_S)
    late_s = NOW_S + STALE_S
    page = page_of(model.view(late_s), late_s)
    assert page.head == "NO NEWS"
    assert page.words == ("SEND DOWN",)
    assert page_of(model.view(NOW_S), NOW_S).head != "NO NEWS"


def test_the_end_of_a_recording_is_no_fault():
    """It says that nothing is lost; a finished ring-out shows its summary whatever the input."""
    ended = Health(SourceHealth("ended"), 0.0, 0, ())
    model = examples.moment("listening", now_s=NOW_S)
    model.take_snapshot(examples.snapshot(-41.0, ended), NOW_S)
    assert page_of(model.view(NOW_S), NOW_S).head == "ENDED"
    model.take_state(examples.state("finished"), NOW_S)
    assert page_of(model.view(NOW_S + 60), NOW_S + 60).head == "SEND BACK"


def test_before_the_first_state_it_waits():
    """An empty model can be drawn."""
    view = Model("", 0).view(NOW_S)
    assert page_of(view, NOW_S).head == "STARTING"
    assert "Waiting for the first audio." in render(view, 80, 24, DARK, NOW_S).text()


def test_every_reason_help_and_remark_has_words():
    """Oracle: the ring-out's own lists; a new one without words fails here, not on stage."""
    assert set(REASONS) == set(Reason)
    assert set(HELPS) == set(Help)
    assert set(REMARKS) == set(Remark)
    for words in (*REASONS.values(), *HELPS.values(), *REMARKS.values()):
        assert len(words) <= 74  # fits 80 columns with margin and number


@pytest.mark.parametrize("moment", [m for m in examples.MOMENTS if m != "no-input"])
def test_the_task_fits_on_one_line(moment):
    """One short sentence, whatever the phase; the longest pair of faders included."""
    state = examples.state(moment)
    assert len(task_words(state)) <= 78
    assert len(pull_sentence(examples.state("between").pulls)) <= 78


def test_many_cuts_are_counted_when_they_do_not_fit():
    """All 31 faders down: the line says how many more there are."""
    state = replace(examples.state("listening"), cuts_db=(1.5,) * 31)
    model = examples.moment("listening", now_s=NOW_S)
    model.take_state(state, NOW_S)
    text = render(model.view(NOW_S), 80, 24, DARK, NOW_S).text()
    line = next(line for line in text.split("\n") if "cut so far" in line)
    listed = line.count("Hz")
    assert f"+{31 - listed} more" in line


@pytest.mark.parametrize(("width", "height"), [*WINDOWS, (60, 20), (40, 12), (20, 4), (1, 1)])
def test_cautions_fill_any_window(width, height):
    """Exact in size; where they do not fit, the screen says where the rest is."""
    text = cautions.frame(width, height, LIGHT, UNICODE).text()
    lines = text.split("\n")
    assert len(lines) == height
    assert {cell_len(line) for line in lines} == {width}
    if width >= 60 and height >= 20:
        assert "Local codes and licensed practice come first." in text
        assert "Y I have read this" in text
    elif height > 4:
        assert "too small" in text
