"""The sheets that a show file names: read, and turned into the weak bands of its channels."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from prehowl.daemon.errors import PrehowlError
from prehowl.daemon.sheets.sheet import Sheet
from prehowl.daemon.sheets.store import Store, default_folder
from prehowl.daemon.show import Channel, Show
from prehowl.daemon.weak_bands import WeakBands, weak_bands
from prehowl.detectors.bands import NOMINAL_HZ


@dataclass(frozen=True, slots=True)
class NamedSheet:
    """What became of one `sheet = ...` of a show file."""

    channel: Channel
    act: str  # "" where it holds in every act
    sheet: Sheet | None
    fault: str  # "" where it was read


def folder_of(show: Show) -> Path:
    """Return the folder of sheets that a show names, else that of the user's data."""
    return Path(show.sheets.folder) if show.sheets.folder else default_folder()


def named_sheets(show: Show) -> tuple[NamedSheet, ...]:
    """Return every sheet that the show's channels name, read or with what keeps it from it."""
    return tuple(
        _named(show, channel, act)
        for act, channels in _by_act(show).items()
        for channel in channels
        if channel.sheet
    )


def with_sheets(show: Show) -> tuple[Show, tuple[str, ...]]:
    """Return the show with the weak bands of its channels, and what is wrong with its sheets.

    A mic whose mix has a sheet shares it, as both are in one loop, and the other way round. A
    sheet that cannot be read must not keep a show from starting: it is told and left out.
    """
    found = named_sheets(show)
    by_act = {act: _shared(show, found, act) for act in _by_act(show)}
    base = by_act.pop("")
    acts = {act: {**base, **own} for act, own in by_act.items() if own}
    told = tuple(one.fault for one in found if one.fault)
    return replace(show, weak_bands=base, act_weak_bands=acts), told


def _by_act(show: Show) -> dict[str, tuple[Channel, ...]]:
    """Return the channels that may name a sheet: "" for every act, then each act's own."""
    labels = {channel.number: channel.label for channel in show.channels}
    return {"": show.channels} | {
        act.name: tuple(
            Channel(one.number, one.name or labels.get(one.number, ""), sheet=one.sheet)
            for one in act.channels
        )
        for act in show.acts
    }


def _shared(show: Show, found: Sequence[NamedSheet], act: str) -> dict[int, WeakBands]:
    """Return what the sheets of one act say of its channels, a mic and its mix sharing theirs."""
    own = {
        one.channel.number: _weak(one.sheet)
        for one in found
        if one.sheet is not None and one.act == act
    }
    shared = dict(own)
    for channel in show.channels:
        partner = show.partner(channel)
        if channel.number not in own and partner is not None and partner.number in own:
            shared[channel.number] = own[partner.number]
    return shared


def _named(show: Show, channel: Channel, act: str) -> NamedSheet:
    store = Store(folder_of(show))
    try:
        return NamedSheet(channel, act, store.load(*store.find(str(channel.sheet))), "")
    except PrehowlError as fault:
        whose = f"act {act}, " if act else ""
        text = f"{whose}channel {channel.number} ({channel.label}): {fault}"
        return NamedSheet(channel, act, None, text)


def _weak(sheet: Sheet) -> WeakBands:
    capped = frozenset(n for n, gain in enumerate(sheet.faders_db) if gain < 0 and sheet.at_cap(n))
    rung = frozenset(ring.band_hz for ring in sheet.rings if ring.band_hz in NOMINAL_HZ)
    ring_hz = tuple(ring.frequency_hz for ring in sheet.rings)
    return weak_bands(sheet.title, sheet.faders_db, capped, rung, ring_hz)
