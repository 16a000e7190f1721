"""What is in force and where each value came from; values of the command line laid over a file."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from prehowl.daemon.errors import UsageError
from prehowl.daemon.osc_in.allow import is_loopback
from prehowl.daemon.show.keys import slots_of
from prehowl.daemon.show.osc_tables import OSC_PORT, OscTarget
from prehowl.daemon.show.reader import Findings, read_table
from prehowl.daemon.show.show import Show

COMMAND_LINE = "command line"
DEFAULT = "default"


@dataclass(frozen=True, slots=True)
class Setting:
    """One value in force."""

    path: str
    value: Any
    origin: str  # "file", "command line" or "default"


def settings_in_force(show: Show) -> tuple[Setting, ...]:
    """Return every key of the show with its value and origin, in the file's order."""
    return tuple(_settings(show, "", show.origins))


def _settings(table: Any, path: str, origins: Mapping[str, str]) -> Iterator[Setting]:
    for slot in slots_of(type(table)).values():
        here = f"{path}.{slot.name}" if path else slot.name
        value = getattr(table, slot.name)
        if slot.table and slot.many:
            for i, item in enumerate(value, start=1):
                yield from _settings(item, f"{here}[{i}]", origins)
        elif slot.table:
            yield from _settings(value, here, origins)
        else:
            yield Setting(here, value, origins.get(here, DEFAULT))


def with_command_line(show: Show, values: Mapping[str, Any]) -> Show:
    """Return the show with single keys replaced, checked as if they stood in a file.

    Parameters
    ----------
    show : Show
        From a file or `default_show`.
    values : mapping
        Path of a key in a single table, e.g. ``device.rate_hz``, -> value; None leaves it alone.

    Raises
    ------
    UsageError
        If a value is impossible; the message names the key.
    """
    for path, value in values.items():
        if value is not None:
            show = _with_value(show, path, value)
    return show


def _with_value(show: Show, path: str, value: Any) -> Show:
    table, key = path.split(".")
    findings = Findings()
    old = getattr(show, table)
    new = read_table(type(old), {key: value}, table, findings)
    if findings.faults:
        raise UsageError("; ".join(f"{where} {text}" for where, text in findings.faults))
    merged = replace(old, **{key: getattr(new, key)})
    origins = {**show.origins, path: COMMAND_LINE}
    return replace(show, origins=origins, **{table: merged})


def with_targets(show: Show, texts: Sequence[str]) -> Show:
    """Return the show with the OSC targets of the command line added to those of the file.

    Parameters
    ----------
    show : Show
    texts : sequence of str
        ``HOST:PORT`` or ``HOST`` each (port 9000); an IPv6 address in brackets.

    Raises
    ------
    UsageError
        If one is no target.
    """
    targets, origins = list(show.osc), dict(show.origins)
    for text in texts:
        target = target_from_words(text)
        if all((target.host, target.port) != (old.host, old.port) for old in targets):
            targets.append(target)
            origins |= {f"osc[{len(targets)}].{key}": COMMAND_LINE for key in ("host", "port")}
    return replace(show, osc=tuple(targets), origins=origins)


def with_osc_in(show: Show, text: str | None) -> Show:
    """Return the show with OSC in at ``PORT`` or ``HOST:PORT`` of the command line.

    Parameters
    ----------
    show : Show
    text : str or None
        None leaves the file's word alone.

    Raises
    ------
    UsageError
        If it is no port, or one that other computers reach while nobody is allowed to send.
    """
    if text is None:
        return show
    target = _place(
        f"127.0.0.1:{text}" if text.isdecimal() else text,
        f"--osc-in {text!r} is no place to listen at",
        "Write a PORT, for example 9010, or HOST:PORT with an address of this computer",
    )
    if not show.osc_in.allow and not is_loopback(target.host):
        raise UsageError(
            f"--osc-in {text}: other computers can reach {target.host}; name those that may send "
            "under [osc_in] allow = [...] in a show file"
        )
    origins = {**show.origins, "osc_in.port": COMMAND_LINE, "osc_in.bind": COMMAND_LINE}
    osc_in = replace(show.osc_in, port=target.port, bind=target.host)
    return replace(show, osc_in=osc_in, origins=origins)


def target_from_words(text: str) -> OscTarget:
    """Return the target that ``HOST:PORT`` or ``HOST`` means; raise UsageError if it is none."""
    advice = "Write HOST:PORT, for example 192.168.1.20:9000"
    return _place(text, f"{text!r} is no OSC target", advice)


def _place(text: str, fault: str, advice: str) -> OscTarget:
    """Return host and port in words; raise UsageError with the fault, its reason and the advice."""
    host, bracket, rest = text.strip().removeprefix("[").partition("]")
    if not bracket:
        host, _, port = text.strip().rpartition(":") if ":" in text else (text.strip(), "", "")
    else:
        port = rest.removeprefix(":")
    findings = Findings()
    raw = {"host": host, "port": int(port) if port.isdecimal() else port or OSC_PORT}
    target: OscTarget = read_table(OscTarget, raw, "osc", findings)
    if findings.faults or any(character.isspace() for character in host):
        said = "; ".join(f"{where.rpartition('.')[2]} {what}" for where, what in findings.faults)
        raise UsageError(f"{fault} ({said or 'a host has no spaces'}). {advice}")
    return target
