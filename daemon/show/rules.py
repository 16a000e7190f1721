"""What the keys of a show file must be to each other: faults that no single key can tell."""

import difflib
from collections.abc import Iterator, Sequence

from prehowl.daemon.show.map_rules import faults_of_maps
from prehowl.daemon.show.request_rules import faults_of_order, faults_of_osc_in
from prehowl.daemon.show.show import Show
from prehowl.daemon.show.tables import Channel, Kind

Fault = tuple[str, str]


def faults_between(show: Show, known: Sequence[Fault]) -> list[Fault]:
    """Return the faults of keys against each other.

    Parameters
    ----------
    show : Show
        With defaults or blanks where `known` tells of a fault.
    known : sequence of (path, text)
        Faults found already. Where a channel's own name, kind or number is one of them, it is not
        judged who belongs to whom: one slip should not be told three times.
    """
    found = [*_twice(show), *_too_far(show), *_delays(show), *_sensitivities(show)]
    found += [*_kinds(show), *_targets(show)]
    found += faults_of_osc_in(show) + faults_of_order(show) + faults_of_maps(show, known)
    if not any(path.endswith((".name", ".kind", ".number", "channels")) for path, _ in known):
        found += _belongings(show)
    return found


def _paths(show: Show) -> Iterator[tuple[str, Channel]]:
    for i, channel in enumerate(show.channels, start=1):
        yield f"channels[{i}]", channel


def _twice(show: Show) -> Iterator[Fault]:
    numbers: dict[int, str] = {}
    names: dict[str, str] = {}
    for path, channel in _paths(show):
        if channel.number and channel.number in numbers:
            first = numbers[channel.number]
            yield f"{path}.number", f"is {channel.number}, as in {first}; give each channel once"
        if channel.name and channel.name in names:
            first = names[channel.name]
            yield f"{path}.name", f"is {channel.name!r}, as in {first}; give each its own name"
        numbers.setdefault(channel.number, path)
        names.setdefault(channel.name, path)


def _too_far(show: Show) -> Iterator[Fault]:
    opened = show.device.channels
    for path, channel in _paths(show):
        if opened is not None and channel.number > opened:
            yield (
                f"{path}.number",
                f"is {channel.number}, but device.channels opens only {opened}; raise that to "
                f"{channel.number} or more, or leave it out",
            )


def _delays(show: Show) -> Iterator[Fault]:
    for path, channel in _paths(show):
        if channel.loop_delay_ms is not None and channel.distance_m is not None:
            yield (
                f"{path}.distance_m",
                "is given together with loop_delay_ms; give one: the measured delay, or the "
                "distance to compute it from",
            )


def _sensitivities(show: Show) -> Iterator[Fault]:
    for path, channel in _paths(show):
        if channel.sensitivity is not None and channel.false_alarms_per_day is not None:
            yield (
                f"{path}.false_alarms_per_day",
                "is given together with sensitivity; give one: the word, or the number",
            )


def _kinds(show: Show) -> Iterator[Fault]:
    """Yield keys that make no sense for the channel's kind."""
    senseless = {
        Kind.MIC: ("mic",),
        Kind.MIX: ("mix",),
        Kind.REFERENCE: (
            "mic",
            "mix",
            "wedge",
            "loop_delay_ms",
            "distance_m",
            "sensitivity",
            "false_alarms_per_day",
            "sheet",
        ),
    }
    why = {
        Kind.MIC: "a mic belongs to a mix; use mix = ...",
        Kind.MIX: "a mix belongs to a mic; use mic = ...",
        Kind.REFERENCE: "a reference channel is in no acoustic loop and never alarms; leave it out",
    }
    for path, channel in _paths(show):
        kind = Kind(channel.kind)
        for name in senseless[kind]:
            if getattr(channel, name) is not None:
                yield f"{path}.{name}", f"does not go with kind = {channel.kind!r}: {why[kind]}"


def _belongings(show: Show) -> Iterator[Fault]:
    """Yield a `mix` or `mic` that names no channel, or one of another kind."""
    for path, channel in _paths(show):
        for name, wanted in (("mix", channel.mix), ("mic", channel.mic)):
            if wanted is not None and channel.kind != Kind.REFERENCE and name != channel.kind:
                yield from _belonging(show, f"{path}.{name}", name, wanted)


def _belonging(show: Show, path: str, kind: str, wanted: str | int) -> Iterator[Fault]:
    for other in show.channels:
        if wanted in (other.number, other.label):
            if other.kind != kind:
                yield path, f"is {wanted!r}, a channel of kind {other.kind!r}; must be a {kind}"
            return
    labels = [other.label for other in show.channels if other.kind == kind]
    near = difflib.get_close_matches(str(wanted), labels, n=1)
    there = f"There are: {', '.join(labels)}" if labels else f"No channel has kind = {kind!r}"
    hint = f"Did you mean {near[0]!r}?" if near else there
    yield path, f"is {wanted!r}, but no {kind} channel bears that name or number. {hint}"


def _targets(show: Show) -> Iterator[Fault]:
    labels: dict[str, str] = {}
    ends: dict[tuple[str, int], str] = {}
    for i, target in enumerate(show.osc, start=1):
        path, end = f"osc[{i}]", (target.host, target.port)
        if target.label in labels:
            first = labels[target.label]
            yield f"{path}.name", f"is {target.label!r}, as in {first}; give each its own name"
        elif target.host and end in ends:
            first = ends[end]
            yield f"{path}.port", f"{target.host}:{target.port} is {first} already; give it once"
        if any(character.isspace() for character in target.host):
            yield (
                f"{path}.host",
                f"is {target.host!r}; a host has no spaces, its port goes under port",
            )
        if not target.messages:
            yield f"{path}.messages", "is empty; name at least one group, or leave the key out"
        labels.setdefault(target.label, path)
        ends.setdefault(end, path)
