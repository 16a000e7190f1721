"""Which of the devices listed is the one that was open: by its name, whatever card it is now."""

import pytest

from prehowl.daemon.errors import DeviceError, DeviceFault
from prehowl.daemon.sources.device_facts import MOVED_S, moved
from prehowl.daemon.sources.device_list import DeviceRow
from prehowl.daemon.sources.same_device import other_cards, same_device

BOX = "Stage Box: USB Audio"


def rows(*names: str, api: str = "ALSA", inputs: int = 8) -> list[DeviceRow]:
    """Return devices as listed, the first of them the default."""
    return [
        DeviceRow(number, name, api, inputs, 0, 48000, is_default=number == 0)
        for number, name in enumerate(names)
    ]


def before(name: str = f"{BOX} (hw:1,0)", number: int = 0, others: tuple[int, ...] = ()) -> dict:
    """Return what is known of the device that was open."""
    return {"number": number, "name": name, "host_api": "ALSA", "others": list(others)}


def refusal(listed: list[DeviceRow], known: dict, wanted: str | int | None = "box") -> str:
    """Return why nothing of that list is taken."""
    with pytest.raises(DeviceError, match="has not come back yet") as caught:
        same_device(listed, known, wanted)
    assert caught.value.fault is DeviceFault.VANISHED
    return str(caught.value)


@pytest.mark.parametrize(
    ("was", "now"),
    [
        (f"{BOX} (hw:1,0)", f"{BOX} (hw:2,0)"),
        (f"{BOX} (hw:3,0)", f"{BOX} (hw:10,0)"),
        (f"{BOX} (plughw:1,0)", f"{BOX} (plughw:2,0)"),
    ],
)
def test_the_same_box_under_another_card_is_taken(was, now):
    """Oracle: PortAudio's source: "card: device (hw:card,device)"; a card is a number."""
    assert same_device(rows("Built-in: Analog (hw:0,0)", now), before(was), "box").name == now


def test_its_own_name_comes_first():
    """Oracle: definition. Another of its make is of no interest then; nor one without inputs."""
    listed = rows(f"{BOX} (hw:2,0)", f"{BOX} (hw:1,0)")
    assert same_device(listed, before(), "box").name == f"{BOX} (hw:1,0)"
    twins = rows("Box", "Box")
    assert same_device(twins, before("Box", 1), None).number == 1


@pytest.mark.parametrize(
    "name",
    [f"{BOX} (hw:2,1)", "Stage Box: Other (hw:2,0)", f"{BOX} (plughw:2,0)", BOX, f"{BOX} (hw:2)"],
)
def test_another_device_is_not_taken(name):
    """Oracle: definition. Only the card's index may differ; the device of the card is its own."""
    assert "not taken" not in refusal(rows(name), before())


def test_who_has_no_inputs_or_belongs_to_another_system_is_not_taken():
    """Oracle: definition."""
    refusal(rows(f"{BOX} (hw:2,0)", inputs=0), before())
    refusal(rows(f"{BOX} (hw:2,0)", api="Other"), before())


def test_two_of_a_make_cannot_be_told_apart_and_none_is_taken():
    """Oracle: definition; both are named."""
    words = refusal(rows(f"{BOX} (hw:2,0)", f"{BOX} (hw:3,0)"), before())
    assert "(hw:2,0)' and " in words
    assert "(hw:3,0)' are of its make, which of them it is cannot be told" in words


def test_a_box_that_was_there_beside_it_is_another():
    """Oracle: definition. Its channels are other people's: it is not taken while the right one is
    away, and the right one is, whatever its card is now."""
    known = before(others=(2,))
    words = refusal(rows(f"{BOX} (hw:2,0)"), known)
    assert f"'{BOX} (hw:2,0)' is of its make but another: not taken in its place" in words
    listed = rows(f"{BOX} (hw:2,0)", f"{BOX} (hw:3,0)")
    assert same_device(listed, known, "box").name == f"{BOX} (hw:3,0)"


def test_boxes_beside_it_are_remembered_from_one_opening_to_the_next():
    """Oracle: by hand: 2 was there first, 4 is there now, 3 is the device itself by now."""
    listed = rows("Built-in: Analog (hw:0,0)", f"{BOX} (hw:3,0)", f"{BOX} (hw:4,0)")
    assert other_cards(listed, listed[1], None) == [4]
    assert other_cards(listed, listed[1], before(others=(2, 3))) == [2, 4]
    assert other_cards(rows("Box", "Box"), rows("Box")[0], None) == []


def test_another_name_is_told_for_a_while():
    """Oracle: definition."""
    (fact,) = moved("b", "a", MOVED_S)
    assert fact.text == "another card number: 'b' is taken for 'a'"
    assert moved("b", "a", MOVED_S + 0.1) == moved("a", "a", 0.0) == ()


def test_a_new_default_is_named_only_where_the_default_was_asked_for():
    """Oracle: definition."""
    assert "'Headset', the default input now" in refusal(rows("Headset"), before(), None)
    assert "Headset" not in refusal(rows("Headset"), before(), "box")
