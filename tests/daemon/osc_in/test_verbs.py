"""What OSC may ask for: every documented form, and every kind of refusal."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from prehowl.daemon.osc_in.decode import Message
from prehowl.daemon.osc_in.verbs import BUTTON, FORMS, HOLD_S, Command, Refused, Verb, command_from
from prehowl.daemon.show.osc_tables import VERBS


def asked(address: str, tags: str = "", *values: object) -> Command | None:
    return command_from(Message(address, tags, values), "osc 127.0.0.1")  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("words", "command"),
    [
        (("/prehowl/do/next_act",), Command(Verb.NEXT_ACT, "osc 127.0.0.1")),
        (("/prehowl/do/previous_act", "i", 1), Command(Verb.PREVIOUS_ACT, "osc 127.0.0.1")),
        (("/prehowl/do/acknowledge", "f", 1.0), Command(Verb.ACKNOWLEDGE, "osc 127.0.0.1")),
        (
            ("/prehowl/do/channel/12/acknowledge", "T", True),
            Command(Verb.ACKNOWLEDGE, "osc 127.0.0.1", channel=12),
        ),
        (
            ("/prehowl/do/hold", "ii", 3, 90),
            Command(Verb.HOLD, "osc 127.0.0.1", channel=3, seconds=90),
        ),
        (
            ("/prehowl/do/channel/3/hold", "f", 0.0),
            Command(Verb.HOLD, "osc 127.0.0.1", channel=3, seconds=0),
        ),
        (
            ("/prehowl/do/channel/3/hold", "i", 1),
            Command(Verb.HOLD, "osc 127.0.0.1", channel=3, seconds=HOLD_S),
        ),
        (
            ("/prehowl/do/snapshot/named", "s", "Before doors"),
            Command(Verb.SNAPSHOT, "osc 127.0.0.1", text="Before doors"),
        ),
        (
            ("/prehowl/do/ringout/correct", "ff", 2500.0, 3.5),
            Command(Verb.RINGOUT_CORRECT, "osc 127.0.0.1", band_hz=2500.0, cut_db=3.5),
        ),
    ],
)
def test_documented_messages_are_the_commands_they_say(words, command) -> None:
    """Oracle: docs/osc.md, one message of each shape, by hand."""
    assert asked(*words) == command


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        (("/prehowl/do/next",), "unknown_address"),
        (("/prehowl/do/next_act/",), "unknown_address"),
        (("/prehowl/do/channel/0/hold", "i", 1), "unknown_address"),
        (("/prehowl/do/channel/257/hold", "i", 1), "unknown_address"),
        (("/prehowl/do/channel/01/hold", "i", 1), "unknown_address"),
        (("/prehowl/do/next_act", "s", "1"), "wrong_types"),
        (("/prehowl/do/next_act", "ii", 1, 1), "wrong_types"),
        (("/prehowl/do/hold", "if", 3, 90.0), "wrong_types"),
        (("/prehowl/do/hold", "i", 3), "wrong_types"),
        (("/prehowl/do/ringout/correct", "ii", 2500, 3), "wrong_types"),
        (("/prehowl/do/hold", "ii", 0, 90), "out_of_range"),
        (("/prehowl/do/hold", "ii", 3, 3601), "out_of_range"),
        (("/prehowl/do/hold", "ii", 3, -1), "out_of_range"),
        (("/prehowl/do/next_act", "f", math.nan), "out_of_range"),
        (("/prehowl/do/next_act", "f", math.inf), "out_of_range"),
        (("/prehowl/do/ringout/correct", "ff", math.nan, 3.0), "out_of_range"),
        (("/prehowl/do/ringout/correct", "ff", 2500.0, math.inf), "out_of_range"),
        (("/prehowl/do/snapshot/named", "s", ""), "out_of_range"),
        (("/prehowl/do/snapshot/named", "s", "x" * 41), "out_of_range"),
        (("/prehowl/do/snapshot/named", "s", "a\x1b[2Jb"), "out_of_range"),
    ],
)
def test_what_is_not_documented_is_refused(words, reason: str) -> None:
    """Oracle: docs/osc.md's types and ranges, each just missed."""
    with pytest.raises(Refused) as caught:
        asked(*words)
    assert caught.value.reason == reason


@pytest.mark.parametrize("form", [f for f in FORMS if f.is_button and not f.heeds_release])
def test_a_released_button_does_nothing(form) -> None:
    """Property: of a press and its release only the press is a command; tablets send both."""
    address = form.address.replace("<n>", "7")
    for tag, pressed, released in (("i", 1, 0), ("f", 1.0, 0.0), ("T", True, None)):
        assert asked(address, tag, pressed) is not None
        if released is not None:
            assert asked(address, tag, released) is None
    assert asked(address, "F", False) is None
    assert asked(address) is not None
    assert set(BUTTON) == {"", "T", "F", "i", "f"}


@given(st.text(max_size=40), st.text("ifsbTF", max_size=3))
def test_any_message_is_a_command_or_refused(address: str, tags: str) -> None:
    """Nothing but `Refused` comes out of messages with any address and fitting values."""
    values = {"i": 1, "f": 1.0, "s": "a", "b": b"a", "T": True, "F": False}
    for path in (f"/{address}", *(form.address for form in FORMS)):
        try:
            command = asked(path, tags, *(values[tag] for tag in tags))
        except Refused:
            continue
        assert command is None or command.verb in Verb


def test_the_show_file_knows_every_verb() -> None:
    """Oracle: the table of verbs. `osc_in.verbs` must be able to name each."""
    assert tuple(Verb) == VERBS
    assert {form.verb for form in FORMS} == set(Verb)
