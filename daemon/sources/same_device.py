"""Which of the devices that are listed now is the one that was open before. Pure.

PortAudio names ALSA's devices "card: device (hw:1,0)"; the first figure is the card's index (its
source, pa_linux_alsa.c). The system gives that index to whoever comes first, so the same box may
come back under another one. The second figure is the box's own and stays.
"""

import re
from collections.abc import Mapping, Sequence
from typing import Any

from prehowl.daemon.errors import DeviceError, DeviceFault
from prehowl.daemon.sources.device_list import DeviceRow

PLACE = re.compile(r"(?P<before>.* \((?:plug)?hw:)(?P<card>\d+)(?P<after>,\d+\))", re.DOTALL)


def same_device(
    rows: Sequence[DeviceRow], before: Mapping[str, Any], wanted: str | int | None
) -> DeviceRow:
    """Return the device that was open before, under the name that it has now.

    Parameters
    ----------
    rows : sequence of DeviceRow
        What is listed now.
    before : mapping
        Its `number`, `name`, `host_api`, and the `others`: see `other_cards`.
    wanted : str, int or None
        What a person had asked for; None for the default input.

    Raises
    ------
    DeviceError
        If it is not there, or cannot be told from others of its name. Another device is never
        taken in its place: its channels would be other people's.
    """
    inputs = [row for row in rows if row.host_api == before["host_api"] and row.input_channels]
    same = [row for row in inputs if row.name == before["name"]]
    if same:
        # Where two share a name, their numbers tell them apart as long as both stay.
        return min(same, key=lambda row: row.number != before["number"])
    alike = [row for row in inputs if _is_alike(row.name, before["name"])]
    moved = [row for row in alike if _split(row.name)[1] not in before["others"]]
    if len(moved) == 1:
        return moved[0]
    why = _not_taken(alike) if alike else _other_default(rows, wanted)
    raise DeviceError(f"{before['name']!r} has not come back yet{why}", DeviceFault.VANISHED)


def other_cards(
    rows: Sequence[DeviceRow], own: DeviceRow, before: Mapping[str, Any] | None
) -> list[int]:
    """Return the card indices of other boxes of one make, as far as they were ever seen.

    Parameters
    ----------
    rows : sequence of DeviceRow
        What is listed while the device is opened.
    own : DeviceRow
        The device itself.
    before : mapping or None
        What was known when it was open the last time.
    """
    alike = [row for row in rows if _is_alike(row.name, own.name) and row.name != own.name]
    cards = {_split(row.name)[1] for row in alike} | set(before["others"] if before else [])
    return sorted(card for card in cards - {_split(own.name)[1]} if card is not None)


def _split(name: str) -> tuple[str, int | None]:
    """Return a name without its card's index, and the index; None where a name has none."""
    found = PLACE.fullmatch(name)
    if found is None:
        return name, None
    return f"{found['before']}*{found['after']}", int(found["card"])


def _is_alike(name: str, other: str) -> bool:
    """Tell whether two names differ in the card's index at most."""
    return _split(name)[0] == _split(other)[0]


def _not_taken(alike: Sequence[DeviceRow]) -> str:
    """Say why others of its make are not taken."""
    names = " and ".join(repr(row.name) for row in alike)
    if len(alike) == 1:
        return f"; {names} is of its make but another: not taken in its place, start anew for it"
    return f"; {names} are of its make, which of them it is cannot be told: start anew for one"


def _other_default(rows: Sequence[DeviceRow], wanted: str | int | None) -> str:
    """Say why the new default is not taken, where the default was asked for."""
    others = [row.name for row in rows if row.is_default and row.input_channels]
    if wanted is not None or not others:
        return ""
    return f"; {others[0]!r}, the default input now, is not taken in its place: start anew for it"
