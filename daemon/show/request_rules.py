"""What the keys of OSC in and of the running order must be to each other."""

from collections.abc import Iterator
from itertools import pairwise

from prehowl.daemon.osc_in.allow import is_loopback, networks_of
from prehowl.daemon.show.order_tables import Act
from prehowl.daemon.show.show import Show
from prehowl.daemon.show.start_times import minutes_into, minutes_of

Fault = tuple[str, str]


def faults_of_osc_in(show: Show) -> list[Fault]:
    """Return what is wrong with who may ask."""
    faults = []
    for i, text in enumerate(show.osc_in.allow, start=1):
        try:
            networks_of((text,))
        except ValueError:
            faults.append(
                (
                    f"osc_in.allow[{i}]",
                    f"is {text!r}, which is no address; write 192.168.20.31 or 192.168.20.0/24",
                )
            )
    if not show.osc_in.allow and not is_loopback(show.osc_in.bind):
        faults.append(
            (
                "osc_in.allow",
                f"is empty, but bind = {show.osc_in.bind!r} can be reached from other computers; "
                "name those that may send",
            )
        )
    if not show.osc_in.verbs and not show.osc_in.attach:
        faults.append(("osc_in.verbs", "is empty and attach is false; then leave out port"))
    return faults


def faults_of_order(show: Show) -> list[Fault]:
    """Return what is wrong with the running order."""
    faults = []
    names: dict[str, str] = {}
    for i, act in enumerate(show.acts, start=1):
        path = f"acts[{i}]"
        if act.name and act.name in names:
            first = names[act.name]
            faults.append((f"{path}.name", f"is {act.name!r}, as in {first}; tell them apart"))
        names.setdefault(act.name, path)
        if act.start and minutes_of(act.start) is None:
            faults.append((f"{path}.start", f"is {act.start!r}; write HH:MM, such as 19:30"))
        faults += _twice_in(act, path)
    faults += _order_of_starts(show)
    if show.order.follow_clock and not any(act.start for act in show.acts):
        faults.append(("order.follow_clock", "is true, but no act has a start"))
    return faults


def _twice_in(act: Act, path: str) -> Iterator[Fault]:
    seen: set[int] = set()
    for i, channel in enumerate(act.channels, start=1):
        if channel.number in seen:
            where = f"{path}.channels[{i}].number"
            yield where, f"is {channel.number}, as before; give each channel once"
        seen.add(channel.number)


def _order_of_starts(show: Show) -> Iterator[Fault]:
    told = [(i, act.start) for i, act in enumerate(show.acts, start=1)]
    told = [(i, start) for i, start in told if minutes_of(start) is not None]
    after = minutes_into([minutes_of(start) for _, start in told])
    rows = [(i, start, m) for (i, start), m in zip(told, after, strict=True) if m is not None]
    for (_, earlier, low), (i, start, high) in pairwise(rows):
        if high <= low:
            yield (
                f"acts[{i}].start",
                f"is {start!r}, not after {earlier!r} of the act before it; put the acts in the "
                "order they play, within 24 hours",
            )
