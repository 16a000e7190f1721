"""Templates and typed arguments of mappings: what they give, and what they refuse."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from osc_receiver import event

from prehowl.daemon.osc_map.arguments import argument_of
from prehowl.daemon.osc_map.fields import IN_ADDRESS, NUMBERS, TEXTS, Told
from prehowl.daemon.osc_map.templates import (
    FORMAT,
    PATTERN_MARKS,
    BadTemplate,
    address_of,
    template_of,
)
from prehowl.daemon.show.osc_tables import MapArgument
from prehowl.detectors.bands import NOMINAL_HZ
from prehowl.detectors.rings import RingState

TOLD = Told(event(act="Paper Kites"), kind="mic", show="Field", count=2)


@pytest.mark.parametrize(
    ("text", "filled"),
    [
        ("{channel_name}: {label}", "Vox 1: 2.5 kHz -3 dB"),
        ("{frequency_hz}", "2513.4"),
        ("{frequency_hz:.0f} Hz", "2513 Hz"),
        ("{level_dbfs:6.1f}", " -18.2"),
        ("{state} {state_number} {alarm}", "ringing 2 1"),
        ("{act}/{show}/{kind}/{count}", "Paper Kites/Field/mic/2"),
        ("{{x}}", "{x}"),
        ("{advice}", "pull 2.5 kHz by 3 dB"),
        ("{channel:03d}", "001"),
        ("{count:2d}", " 2"),
        ("{band_hz:.0f}", "2500"),
    ],
)
def test_fields_are_those_of_the_event(text: str, filled: str) -> None:
    """Oracle: the event, written out by hand."""
    assert template_of(text).filled(TOLD) == filled


def test_what_is_not_known_is_a_dash() -> None:
    """Oracle: docs/osc.md."""
    bare = Told(event(growth_db_per_s=None, onset_s=None, act=None))
    assert template_of("{growth_db_per_s:.1f}|{onset_s}|{act}").filled(bare) == "-|-|-"


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("{nothing}", "no field"),
        ("{channel.real}", "no field"),
        ("{channel[0]}", "no field"),
        ("{}", "no field"),
        ("{0}", "no field"),
        ("{channel_name!r}", "format"),
        ("{channel_name:.1f}", "format"),
        ("{frequency_hz:d}", "format"),
        ("{frequency_hz:999999999f}", "format"),
        ("{frequency_hz:{channel}}", "format"),
        ("{id:.2d}", "try {id:3}"),
        ("{channel:.1}", "format"),
        ("{alert:.3}", "format"),
        ("{count:.0}", "format"),
        ("{band_hz:.0}", "format"),
        ("{band_hz:d}", "format"),
        ("{channel_name:3d}", "try {channel_name:.8}"),
        ("{label:.0}", "format"),
        ("{channel", "brace"),
        ("channel}", "brace"),
    ],
)
def test_a_template_can_only_name_fields(text: str, why: str) -> None:
    """A show file is data: no attribute, index, conversion or huge width gets through."""
    with pytest.raises(BadTemplate, match=why):
        template_of(text)


@given(st.text(max_size=40))
def test_any_text_is_a_template_or_refused(text: str) -> None:
    """Nothing but `BadTemplate` comes out, and what is taken can be filled."""
    try:
        template_of(text).filled(TOLD)
    except BadTemplate:
        return


@pytest.mark.parametrize("name", [*NUMBERS, *TEXTS])
def test_every_field_can_be_filled(name: str) -> None:
    """Each documented field gives text for an event, and for one where nothing is known."""
    bare = event(onset_s=None, growth_db_per_s=None, margin_db=None, cut_db=None)
    for told in (TOLD, Told(bare)):
        assert template_of(f"{{{name}}}").filled(told)


@pytest.mark.parametrize("name", [*NUMBERS, *TEXTS])
def test_the_format_that_is_advised_is_one(name: str) -> None:
    """Oracle: definition. Who follows the advice of the refusal is not refused again."""
    with pytest.raises(BadTemplate, match="try ") as refused:
        template_of(f"{{{name}:x}}")
    assert template_of(str(refused.value).partition("try ")[2]).filled(TOLD)


SHAPES = st.from_regex(FORMAT, fullmatch=True)


@given(st.sampled_from([*NUMBERS, *TEXTS]), SHAPES, st.sampled_from(NOMINAL_HZ))
def test_what_loads_can_be_filled_at_every_ring(name: str, shape: str, band_hz: float) -> None:
    """Property: a format that passes gives text for any band and state, known or not; nothing but
    `BadTemplate` at the load, nothing at all at the ring."""
    try:
        template = template_of(f"{{{name}:{shape}}}")
    except BadTemplate:
        return
    bare = {"onset_s": None, "growth_db_per_s": None, "margin_db": None, "cut_db": None}
    for state in RingState:
        for more in ({}, bare):
            told = Told(event(state, band_hz=band_hz, **more), count=2)
            assert template.filled(told)
            assert template.address(told)


@given(st.text(max_size=20))
def test_an_address_stays_an_address_whatever_the_name(name: str) -> None:
    """Oracle: OSC 1.0: an address holds no space and no pattern mark."""
    made = address_of("/x/{channel_name}/{band_hz}").address(Told(event(channel_name=name)))
    assert made.startswith("/x/")
    assert not PATTERN_MARKS.search(made)
    assert made.endswith("/2500")


@pytest.mark.parametrize(
    "text", ["cue", "/a b", "/a*", "/ä", "/a/{frequency_hz}", "/{id}", "/#", "/{channel:.1}"]
)
def test_what_is_no_address_is_refused(text: str) -> None:
    """Oracle: OSC 1.0, and the fields that an address may hold."""
    with pytest.raises(BadTemplate):
        address_of(text)
    assert "id" not in IN_ADDRESS


@pytest.mark.parametrize(
    ("wanted", "value"),
    [
        (MapArgument("int", "{channel}"), ("i", 1)),
        (MapArgument("int", "{level_dbfs}"), ("i", -18)),
        (MapArgument("int", "7"), ("i", 7)),
        (MapArgument("float", "7"), ("f", 7.0)),
        (MapArgument("float", "{frequency_hz}"), ("f", 2513.4)),
        (MapArgument("string", "7"), ("s", "7")),
        (MapArgument("bool", "true"), ("T", True)),
        (MapArgument("bool", "0"), ("F", False)),
        (MapArgument("bool", "{alarm}"), ("T", True)),
        (MapArgument("blob", "hex:00 ff"), ("b", b"\x00\xff")),
        (MapArgument("blob", "{band}"), ("b", b"2.5 kHz")),
        (MapArgument("float", "{level_dbfs}", (-60, 0), (0, 1)), ("f", pytest.approx(41.8 / 60))),
        (MapArgument("int", "{level_dbfs}", (-60, 0), (127, 0)), ("i", 39)),
        (MapArgument("float", "{level_dbfs}", (-10, 0), (0, 1)), ("f", 0.0)),
        (MapArgument("float", "{cut_db}", (0, 2), (0, 1)), ("f", 1.0)),
    ],
)
def test_types_are_as_stated(wanted: MapArgument, value: object) -> None:
    """Oracle: by hand; -18.2 of -60..0 is 41.8/60, and beyond a range its end stands."""
    found = argument_of(wanted).value(TOLD)
    assert found == value
    assert type(found[1]) in (int, float, str, bool, bytes)


def test_an_unknown_figure_is_what_the_show_file_says() -> None:
    """Oracle: the `unknown` key, unscaled."""
    wanted = MapArgument("float", "{growth_db_per_s}", (0, 100), (0, 1), unknown=-1.0)
    assert argument_of(wanted).value(Told(event(growth_db_per_s=None))) == ("f", -1.0)


@pytest.mark.parametrize(
    "wanted",
    [
        MapArgument("int", "1.5"),
        MapArgument("int", "{label}"),
        MapArgument("int", "{channel}{channel}"),
        MapArgument("int", "{channel:d}"),
        MapArgument("float", "nan"),
        MapArgument("float", "inf"),
        MapArgument("float", "loud"),
        MapArgument("bool", "yes"),
        MapArgument("blob", "hex:0"),
        MapArgument("blob", "hex:"),
        MapArgument("string", "{x}"),
    ],
)
def test_what_cannot_be_of_its_type_is_refused(wanted: MapArgument) -> None:
    """Nothing is bent into shape."""
    with pytest.raises(BadTemplate):
        argument_of(wanted)
