"""What the keys of a mapping must be to each other and to the rest of the show."""

import difflib
from collections.abc import Iterator, Sequence

from prehowl.daemon.osc_map.arguments import argument_of
from prehowl.daemon.osc_map.templates import BadTemplate, address_of
from prehowl.daemon.show.osc_tables import MapArgument, OscMap
from prehowl.daemon.show.show import Show

Fault = tuple[str, str]


def faults_of_maps(show: Show, known: Sequence[Fault]) -> list[Fault]:
    """Return what is wrong with the mappings; a table with a known fault is not judged again."""
    bad = [path for path, _ in known]
    faults: list[Fault] = []
    for i, wanted in enumerate(show.maps, start=1):
        path = f"maps[{i}]"
        if not any(other.startswith(f"{path}.") for other in bad):
            faults += _faults_of(wanted, path, show)
    return faults


def _faults_of(wanted: OscMap, path: str, show: Show) -> Iterator[Fault]:
    try:
        address_of(wanted.address)
    except BadTemplate as fault:
        yield f"{path}.address", str(fault)
    for i, argument in enumerate(wanted.args, start=1):
        yield from _argument(argument, f"{path}.args[{i}]")
    yield from _unknown(wanted.targets, [t.label for t in show.osc], f"{path}.targets", "receiver")
    yield from _unknown(wanted.acts, [act.name for act in show.acts], f"{path}.acts", "act")
    if not wanted.states:
        yield f"{path}.states", "is empty; name at least one state, or leave the key out"
    low, high = wanted.band_from_hz, wanted.band_to_hz
    if low is not None and high is not None and low > high:
        yield f"{path}.band_to_hz", f"is {high:g}, below band_from_hz = {low:g}"
    if wanted.delay_ms and wanted.bundle != "time":
        yield f"{path}.delay_ms", 'is given, but only bundle = "time" has a time to add it to'


def _argument(argument: MapArgument, path: str) -> Iterator[Fault]:
    scales = (argument.scale_from, argument.scale_to)
    if any(scales) and (argument.type not in ("int", "float") or not all(map(len, scales))):
        yield f"{path}.scale_from", "and scale_to go together, and with an int or a float only"
        return
    for name, scale in zip(("scale_from", "scale_to"), scales, strict=True):
        if scale and len(scale) != 2:
            yield f"{path}.{name}", "must hold two numbers, such as [-60, 0]"
            return
    if argument.scale_from and argument.scale_from[0] == argument.scale_from[1]:
        yield f"{path}.scale_from", "holds the same number twice"
        return
    try:
        argument_of(argument)
    except BadTemplate as fault:
        yield f"{path}.value", str(fault)


def _unknown(names: Sequence[str], there: Sequence[str], path: str, what: str) -> Iterator[Fault]:
    for i, name in enumerate(names, start=1):
        if name not in there:
            near = difflib.get_close_matches(name, there, n=1)
            known = f"There are: {', '.join(there)}" if there else f"The show has no {what}"
            hint = f"Did you mean {near[0]!r}?" if near else known
            yield f"{path}[{i}]", f"is {name!r}, which is no {what}. {hint}"
