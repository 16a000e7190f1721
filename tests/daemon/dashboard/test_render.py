"""The picture: fits every size, says everything in words, in every theme and without colours."""

import io
import unicodedata
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len
from rich.console import Console

from prehowl.daemon.facts import facts_of
from prehowl.daemon.sinks.base import Health, OscInCounts
from prehowl.daemon.sinks.dashboard import examples, render
from prehowl.daemon.sinks.dashboard.glyphs import ASCII, UNICODE
from prehowl.daemon.sinks.dashboard.model import HOLD_ALARM_S, Model
from prehowl.daemon.sinks.dashboard.panel import STALE_S
from prehowl.daemon.sinks.dashboard.render import health_parts
from prehowl.daemon.sinks.dashboard.themes import BY_NAME, DARK, LIGHT, PLAIN
from prehowl.daemon.sources.base import SourceHealth
from prehowl.detectors.rings import RingState

SIZES = [(80, 24), (120, 40), (200, 60), (40, 12)]
CHANNELS = [1, 8, 32, 64]
NOW_S = 100.0


def text_of(model, width=80, height=24, theme=DARK, now_s=NOW_S, signs=UNICODE):
    """Return the words of one frame."""
    return render(model.view(now_s), width, height, theme, now_s, signs).text()


def model_with(*events, channels=32, **kwargs):
    """Return a model that has taken events and a snapshot with their rings."""
    model = Model(examples.names(channels), **kwargs)
    for event in events:
        model.take_event(event, NOW_S - 1)
    living = tuple({e.id: e for e in events if e.state is not RingState.CLEARED}.values())
    model.take_snapshot(examples.snapshot(channels, living), NOW_S)
    return model


def check_shape(frame, width, height):
    """Every line is exactly as wide, and there are exactly as many, as asked."""
    lines = frame.text().split("\n")
    assert len(lines) == height
    assert {cell_len(line) for line in lines} == {width}


@pytest.mark.parametrize("moment", examples.MOMENTS)
@pytest.mark.parametrize("channels", CHANNELS)
@pytest.mark.parametrize(("width", "height"), SIZES)
def test_every_size_is_filled_and_never_exceeded(width, height, channels, moment):
    """Oracle: counting cells with rich's table of widths."""
    view = examples.moment(moment, channels).view(NOW_S)
    for signs in (UNICODE, ASCII):
        check_shape(render(view, width, height, DARK, NOW_S, signs), width, height)


@pytest.mark.parametrize("theme", [DARK, LIGHT, PLAIN])
@pytest.mark.parametrize("state", [RingState.SUSPECT, RingState.RINGING, RingState.HOWLING])
@pytest.mark.parametrize("channels", CHANNELS)
@pytest.mark.parametrize(("width", "height"), SIZES)
def test_the_alert_is_there_in_words(width, height, channels, state, theme):
    """State, channel, band and, of an alarm, cut stand in one line of every size and theme."""
    model = model_with(examples.event(state, channels), channels=channels)
    name = examples.names(channels)[-1] or f"Ch {channels}"
    pull = "watch 2.5 kHz" if state is RingState.SUSPECT else "pull 2.5 kHz -3 dB"
    wanted = (str(state).upper(), f"{name}:", pull)
    lines = text_of(model, width, height, theme).split("\n")
    assert any(all(word in line for word in wanted) for line in lines)


@pytest.mark.parametrize(("width", "height"), SIZES)
@pytest.mark.parametrize("band_hz", [20, 31.5, 500, 2500, 12500, 20000])
def test_band_and_cut_are_large(width, height, band_hz):
    """Oracle: the drawn figures, made of block characters, are at least five lines high."""
    event = replace(examples.event(RingState.RINGING, band_hz=band_hz), cut_db=12.0)
    lines = text_of(model_with(event), width, height).split("\n")
    assert sum("██" in line for line in lines) >= 5


def test_large_figures_read_as_drawn():
    """Oracle: '2.5' drawn by hand, in whole blocks and in ASCII."""
    by_hand = [
        "#####     ######",
        "    ##    ##    ",
        " ####     ##### ",
        "##            ##",
        "###### ## ##### ",
    ]
    model = model_with(examples.event(RingState.RINGING))
    for signs in (UNICODE, ASCII):
        lines = [line[1:17].replace("█", "#") for line in text_of(model, signs=signs).split("\n")]
        assert lines[5:10] == by_hand


def test_a_long_name_is_large_before_the_state_is():
    """'Vox centre' fits large, the state beside it plain; a longer one is cut, and says so."""
    event = examples.event(RingState.RINGING)
    lines = text_of(model_with(replace(event, channel_name="Vox centre"))).split("\n")
    assert lines[3].rstrip().endswith("R I N G I N G")
    assert lines[2].count("█") > 10
    lines = text_of(model_with(replace(event, channel_name="Side fill left far"))).split("\n")
    assert "R I N G" not in lines[3]
    assert any("RINGING Side fill left far: pull" in line for line in lines)


@pytest.mark.parametrize("state", [RingState.SUSPECT, RingState.RINGING, RingState.HOWLING])
def test_a_long_name_makes_room_for_band_and_cut(state):
    """Where there are no figures the sentence has them, before all of a name that is too long."""
    event = replace(examples.event(state, 1), channel_name="Lead Vocal Downstage")
    for width in range(26, 80):
        lines = text_of(model_with(event), width, 6).split("\n")
        said = next(line for line in lines if line.startswith(f" {state.upper()} "))
        assert ("2.5 kHz" if state is RingState.SUSPECT else "2.5 kHz -3 dB") in said, said
        assert width < 40 or "Lead Voc" in said, said


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_nothing_tells_to_cut_for_a_suspect(width, height):
    """Oracle: docs/dashboard.md and the label of OSC: a suspect has its band only."""
    event = examples.event(RingState.SUSPECT)
    assert event.cut_db is not None
    assert "-3 dB" not in text_of(model_with(event), width, height)
    alarm = text_of(model_with(examples.event(RingState.RINGING)), width, height)
    assert "-3 dB" in alarm


def test_band_and_cut_outlast_a_long_name_everywhere():
    """In the line of other rings, in the list of events, in the rows: the name is cut first."""
    events = [
        replace(examples.event(RingState.HOWLING, n, id_=n), channel_name="Lead Vocal Downstage")
        for n in (1, 2)
    ]
    model = model_with(*events, channels=2)
    lines = text_of(model, 40, 17).split("\n")
    also = next(line for line in lines if line.startswith(" also: "))
    assert also.rstrip() == " also: Lead Voca… howling 2.5 kHz -3 dB"
    told = next(line for line in lines if line.startswith("█  12:34"))
    assert told.rstrip().endswith(" howling  Lead…  2.5 kHz -3 dB"), told
    row = next(line for line in text_of(model, 66, 24).split("\n") if line.startswith("█ 1 "))
    assert row.rstrip().endswith("2.5 kHz -3 dB")


def test_who_is_on_outlasts_the_name_of_the_show():
    """At 80x24 the act stands whole in the first line, the title is cut."""
    model = model_with()
    shown = replace(examples.snapshot(32), act="Third Rail", act_number=3, acts=6)
    model.set_title(examples.TITLE)
    model.take_snapshot(shown, NOW_S)
    first = text_of(model).split("\n")[0]
    assert "… · act 3/6 Third Rail " in first
    assert "page 1 of 7" in first


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_no_word_depends_on_colour(width, height):
    """The same words in all themes: whoever sees no colour misses nothing."""
    for moment in examples.MOMENTS:
        view = examples.moment(moment).view(NOW_S)
        texts = {render(view, width, height, theme, NOW_S).text() for theme in BY_NAME.values()}
        assert len(texts) == 1


@pytest.mark.parametrize("signs", [UNICODE, ASCII])
def test_states_differ_without_colour(signs):
    """Oracle: with NO_COLOR the printed characters alone tell the four moments apart."""
    shown = set()
    for state in (RingState.SUSPECT, RingState.RINGING, RingState.HOWLING):
        event = examples.event(state, 20)
        lines = text_of(model_with(event), theme=PLAIN, signs=signs).split("\n")
        strip = next(line for line in lines if line.lstrip(" ▶>").startswith("17"))
        shown.add(strip)
    shown.add(text_of(model_with(), theme=PLAIN, signs=signs).split("\n")[13])
    assert len(shown) == 4


def test_no_color_emits_no_colour():
    """Oracle: NO_COLOR (no-color.org, from memory): no colour codes; rich strips 38/48 codes."""
    console = Console(
        width=80,
        height=24,
        file=io.StringIO(),
        force_terminal=True,
        no_color=True,
        color_system="truecolor",
    )
    console.print(render(examples.moment("ringing").view(NOW_S), 80, 24, PLAIN, NOW_S))
    out = console.file.getvalue()
    assert "2.5 kHz -3 dB" in out
    assert "38;" not in out
    assert "48;" not in out


def test_contrast_is_high_in_both_themes():
    """Oracle: WCAG 2.1, contrast ratio of relative luminances (formula from memory), 7:1 = AAA."""
    for theme in (DARK, LIGHT):
        for style in (theme.base, theme.quiet, theme.bar, theme.suspect, theme.ringing,
                      theme.howling, theme.trouble, theme.strong, theme.ringing_mark):  # fmt: skip
            assert contrast(style.color, style.bgcolor) >= 7.0, (theme.name, style)


def contrast(one, other):
    """Return the WCAG contrast ratio of two rich colours."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def luminance(colour):
    """Return the relative luminance of sRGB after WCAG."""
    parts = [c / 255 for c in colour.get_truecolor()]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_an_alarm_on_another_page_is_seen():
    """Channel 32 alarms while page 1 shows the first rows: the strip points at it."""
    text = text_of(model_with(examples.event(RingState.RINGING, 32)))
    assert "page 1 of" in text
    assert "▶32▅" in text


def test_sixty_four_channels_are_all_in_the_strip():
    """All numbers are there at 80x24, in order, in whole banks of eight."""
    lines = text_of(model_with(channels=64)).split("\n")
    strip = " ".join(line for line in lines if "·" in line and " 1-" not in line)
    at = [strip.index(f"{number:>2}·") for number in range(1, 65)]
    assert at == sorted(at)


def test_every_channel_is_on_exactly_one_page():
    """Paging shows each channel once, in the order of the interface."""
    model, seen = model_with(channels=32), []
    for page in range(7):
        model.page = page
        lines = text_of(model).split("\n")
        first = next(n for n, line in enumerate(lines) if "dBFS 20" in line)
        seen += [int(line[1:3]) for line in lines[first + 1 : first + 6] if line[1:3].strip()]
    assert seen == list(range(1, 33))


def test_the_channel_row_shows_band_and_level():
    """The mark stands under its band: 2.5 kHz is band 21 of 0..30 (ISO 266), level in dBFS."""
    lines = text_of(model_with(examples.event(RingState.HOWLING, 1), channels=8)).split("\n")
    head = next(line for line in lines if "dBFS 20" in line)
    row = lines[lines.index(head) + 1]
    assert row[head.index("20 ") + 21] == "█"
    assert row[head.index("2k") : head.index("2k") + 2] == "·█"
    quiet = lines[lines.index(head) + 2]
    assert f"{examples.snapshot(8).level_dbfs[1]:.0f}" in quiet


def test_channel_numbers_are_those_of_the_interface():
    """A selection of channels keeps its numbers, and its rings find their rows."""
    model = Model(["a", "b"], [5, 12])
    model.take_snapshot(examples.snapshot(2, (examples.event(RingState.RINGING, 12),)), NOW_S)
    lines = text_of(model).split("\n")
    assert (
        next(line for line in lines if "▅12 b " in line).rstrip().endswith("ringing 2.5 kHz -3 dB")
    )


def test_a_cleared_alarm_tells_how_long_ago():
    """The engineer looks up late: band, channel and age are still there, then calm returns."""
    model = examples.moment("cleared")
    assert "Cleared 4 s ago: was 2.5 kHz on Vox 1" in text_of(model)
    later_s = NOW_S + HOLD_ALARM_S
    model.take_snapshot(examples.snapshot(32), later_s)
    assert "No ring. Loudest: " in text_of(model, now_s=later_s)


def test_an_acknowledged_ring_is_quiet_but_listed():
    """No large alert, but its row and a line still name it: the screen never claims calm."""
    model = model_with(examples.event(RingState.RINGING, 2))
    model.acknowledge()
    text = text_of(model)
    assert "1 acknowledged: Vox 2 ringing 2.5 kHz -3 dB" in text
    assert "RINGING Vox 2" not in text
    assert "No ring" not in text


def test_a_dead_watch_never_looks_calm():
    """No snapshot for STALE_S, or a source that waits, takes the large space in words."""
    model = model_with()
    assert "No ring" in text_of(model)
    late = text_of(model, now_s=NOW_S + STALE_S + 1)
    assert "NO NEWS from the audio for 3 s" in late
    assert "No ring" not in late
    waiting = text_of(examples.moment("no-input"))
    assert "NO INPUT, waiting: interface unplugged" in waiting
    assert "CHECK: input waiting, overflows 2, lost samples 4800" in waiting


def test_an_old_ring_does_not_hide_that_nothing_is_heard():
    """What was known when the device went is listed, and nobody is told to pull it any more."""
    ring = examples.event(RingState.RINGING, 2)
    model = model_with(ring)
    assert "RINGING Vox 2: pull" in text_of(model)
    deaf = Health(SourceHealth("waiting", facts=facts_of(["interface unplugged"])))
    model.take_snapshot(replace(examples.snapshot(32, (ring,)), health=deaf), NOW_S)
    waiting = text_of(model)
    assert "NO INPUT, waiting: interface unplugged" in waiting
    assert "RINGING Vox 2: pull" not in waiting
    assert "also: Vox 2 ringing 2.5 kHz -3 dB" in waiting


def test_silence_is_not_called_calm():
    """All channels below the floor: the cable may be out, so it says NO SIGNAL's words."""
    model = Model(["", ""])
    model.take_snapshot(examples.snapshot(2), NOW_S)
    silent = replace(examples.snapshot(2), level_dbfs=examples.snapshot(2).level_dbfs * 0 - 120)
    model.take_snapshot(silent, NOW_S)
    assert "Every channel is silent." in text_of(model)


def test_health_names_what_is_wrong_first():
    """Each figure is either well or wrong, and wrong ones come under CHECK."""
    health = Health(SourceHealth("running", 1, 0), 0.95, 3, (("a", "ok"), ("b", "refused")))
    good, bad = health_parts(health, has_fresh_loss=True)
    assert bad == ["load 95 %", "OSC b refused", "overflows 1", "dropped 3"]
    assert good == ["input running", "OSC a ok", "lost samples 0"]
    _, bad = health_parts(health, has_fresh_loss=False)
    assert bad == ["load 95 %", "OSC b refused"]
    health = Health(osc_in=OscInCounts("0.0.0.0:9010", 5, 2))
    good, bad = health_parts(health, has_fresh_loss=True)
    assert ("OSC in 0.0.0.0:9010, 5 in, 2 refused" in good, bad) == (True, [])


def test_lost_audio_is_news_for_a_minute():
    """A loss asks for attention, then is only counted; the next one asks again."""
    model = model_with(channels=8)
    for overflows, at_s, is_news in ((0, 0, False), (1, 1, True), (1, 62, False), (2, 63, True)):
        health = Health(SourceHealth("running", overflows, 0))
        model.take_snapshot(examples.snapshot(8, health=health), NOW_S + at_s)
        text = text_of(model, now_s=NOW_S + at_s)
        assert ("CHECK: overflows" in text) is is_news
        assert f"overflows {overflows}" in text


def test_many_rings_are_counted_not_cropped_silently():
    """What does not fit in the line of further rings is told as a number."""
    events = [examples.event(RingState.SUSPECT, n, id_=n) for n in range(1, 21)]
    assert "more" in text_of(model_with(*events))


def test_keys_are_told():
    """The last line names the keys, the question before quitting, or that there are none."""
    model = model_with()
    keys = text_of(model).split("\n")[-1]
    for key in ("n next page", "p page back", "w worst", "a acknowledge", "t theme", "q q quit"):
        assert f" {key} " in keys
    model.ask_to_quit(NOW_S)
    assert "press q again" in text_of(model).split("\n")[-1]
    assert "Ctrl-C" in text_of(model_with(has_keys=False)).split("\n")[-1]


def test_ascii_terminals_get_ascii_only():
    """Oracle: the codec. Names in other scripts become '?', accents are dropped."""
    model = Model(["Gäst", "歌手", "🎤 Vox"], title="Fête · 祭")
    model.take_snapshot(examples.snapshot(3, (examples.event(RingState.RINGING, 2),)), NOW_S)
    for width, height in SIZES:
        text = text_of(model, width, height, signs=ASCII)
        assert text.isascii()
        assert "2.5 kHz -3 dB" in text


WIDE = st.text(alphabet="aB 9歌手ギ🎤🎸é́한\u200d\ufe0f\x1b\n…▶", max_size=24)


@settings(max_examples=80, deadline=None)
@given(
    width=st.integers(1, 210),
    height=st.integers(1, 70),
    names=st.lists(st.one_of(WIDE, st.text(max_size=12)), min_size=1, max_size=70),
    state=st.sampled_from(RingState),
    page=st.integers(0, 80),
    signs=st.sampled_from([UNICODE, ASCII]),
)
def test_any_size_channels_and_names(width, height, names, state, page, signs):
    """Whatever the window and the names: the frame has exactly its size, and no control codes."""
    model = Model(names, title=names[0])
    event = replace(examples.event(state, len(names)), channel_name=names[-1])
    model.take_event(replace(event, state=RingState.RINGING), NOW_S)
    model.take_event(event, NOW_S)
    model.take_snapshot(examples.snapshot(len(names)), NOW_S)
    model.page = page
    frame = render(model.view(NOW_S), width, height, DARK, NOW_S, signs)
    check_shape(frame, width, height)
    marks = set(frame.text()) - {"\n"}
    assert not {"Cc", "Cf"} & {unicodedata.category(mark) for mark in marks}
