"""The findings of `prehowl check`: collected, as one JSON object, and as lines for a person."""

from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from typing import Any

from prehowl.daemon.errors import FOUND_A_PROBLEM, OK, SYSTEM_FAILURE
from prehowl.daemon.levels import ChannelLevel
from prehowl.daemon.osc_check import TargetFound
from prehowl.daemon.sheets.in_show import NamedSheet
from prehowl.daemon.show import Channel, Show, settings_in_force
from prehowl.daemon.sinks.words import counted, printable

NAME_CELLS = 16


@dataclass(frozen=True, slots=True)
class ListenedTo:
    """The source that was looked at, or why none was."""

    kind: str = "none"
    name: str | None = None
    rate_hz: int | None = None
    channels: int | None = None
    listened_s: float = 0.0
    text: str = ""


@dataclass(slots=True)
class Report:
    """Everything that was found."""

    show_file: str | None
    show: Show
    problems: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    source: ListenedTo = field(default_factory=ListenedTo)
    device_failed: bool = False
    sheets: tuple[NamedSheet, ...] = ()
    levels: tuple[ChannelLevel, ...] = ()
    osc: tuple[TargetFound, ...] = ()
    test_alert: dict[str, Any] | None = None

    @property
    def exit_code(self) -> int:
        """Return the exit code that the findings call for."""
        if self.device_failed:
            return SYSTEM_FAILURE
        return FOUND_A_PROBLEM if self.problems else OK

    def skip(self, why: str) -> None:
        """Note that nothing was listened to."""
        self.source = ListenedTo(text=why)

    def record(self) -> dict[str, Any]:
        """Return the findings as plain JSON types; the keys are told in `check --help`."""
        return {
            "type": "check",
            "ok": self.exit_code == OK,
            "exit_code": self.exit_code,
            "problems": self.problems,
            "notes": self.notes,
            "show_file": self.show_file,
            "settings": [asdict(setting) for setting in settings_in_force(self.show)],
            "channels": [_channel(self.show, channel) for channel in self.show.channels],
            "sheets": [_sheet(found) for found in self.sheets],
            "source": asdict(self.source),
            "levels": [asdict(level) for level in self.levels],
            "osc": [asdict(found) for found in self.osc],
            "test_alert": self.test_alert,
        }


def _channel(show: Show, channel: Channel) -> dict[str, Any]:
    delay_s, whence = show.loop_delay(channel)
    return {
        "number": channel.number,
        "name": channel.label,
        "kind": channel.kind,
        "loop_delay_ms": round(delay_s * 1000, 2),
        "loop_delay_from": whence,
        "sensitivity": show.sensitivity(channel)[1],
    }


def _sheet(found: NamedSheet) -> dict[str, Any]:
    sheet = found.sheet
    return {
        "channel": found.channel.number,
        "sheet": found.channel.sheet,
        "title": None if sheet is None else sheet.title,
        "version": None if sheet is None else sheet.version,
        "fault": found.fault or None,
    }


def report_lines(report: Report) -> Iterator[str]:
    """Yield the report for a person: settings, channels, levels, receivers, and the verdict last.

    The verdict comes last, where the eye rests when the prompt is back.
    """
    yield from _setting_lines(report)
    yield from _channel_lines(report)
    yield from _sheet_lines(report)
    yield from _source_lines(report)
    yield from _osc_lines(report)
    yield ""
    yield from (f"note: {printable(text)}" for text in report.notes)
    yield from (f"PROBLEM: {printable(text)}" for text in report.problems)
    count = len(report.problems)
    yield f"{counted(count, 'problem')} found" if count else "all fine"


def _setting_lines(report: Report) -> Iterator[str]:
    yield f"show file: {report.show_file or 'none, defaults hold'}"
    for setting in settings_in_force(report.show):
        if "[" not in setting.path:
            yield f"  {setting.path:<24} {_shown(setting.value):<24} {setting.origin}"


def _shown(value: object) -> str:
    """Return a value as one reads it: lists with commas, nothing as a dash."""
    if value in (None, "", ()):
        return "-"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, tuple):
        return printable(", ".join(map(str, value)))
    return printable(str(value))


def _channel_lines(report: Report) -> Iterator[str]:
    if report.show.channels:
        yield ""
        yield f"{'ch':>4}  {'name':<{NAME_CELLS}} {'kind':<9} {'sensitivity':<11}  loop delay"
    for row in (_channel(report.show, channel) for channel in report.show.channels):
        delay = f"{row['loop_delay_ms']:.1f} ms ({row['loop_delay_from']})"
        if row["kind"] == "reference":
            delay, row["sensitivity"] = "-", "-"
        yield (
            f"{row['number']:>4}  {printable(row['name']):<{NAME_CELLS}} {row['kind']:<9} "
            f"{row['sensitivity']:<11}  {printable(delay)}"
        )


def _sheet_lines(report: Report) -> Iterator[str]:
    if report.sheets:
        yield ""
    for found in report.sheets:
        sheet = found.sheet
        told = "PROBLEM" if sheet is None else f"{sheet.title}, version {sheet.version}"
        yield f"sheet of channel {found.channel.number}: {printable(told)}"


def _source_lines(report: Report) -> Iterator[str]:
    source = report.source
    yield ""
    if source.kind == "none":
        yield f"device: {printable(source.text)}"
        return
    yield (
        f"{source.kind}: {printable(str(source.name))}, "
        f"{counted(source.channels or 0, 'channel')} at {source.rate_hz} Hz, "
        f"listened for {source.listened_s:.1f} s"
    )
    if report.levels:
        yield f"{'ch':>4}  {'name':<{NAME_CELLS}} {'level':>7} {'peak':>7} dBFS"
    for level in report.levels:
        clipped = (
            f", {counted(level.clipped_samples, 'sample')}" if level.verdict == "clipping" else ""
        )
        yield (
            f"{level.channel:>4}  {printable(level.name):<{NAME_CELLS}} {level.level_dbfs:>7.1f} "
            f"{level.peak_dbfs:>7.1f}  {level.verdict}{clipped}"
        )


def _osc_lines(report: Report) -> Iterator[str]:
    if report.osc:
        yield ""
    for found in report.osc:
        mark = "ok     " if found.ok else "PROBLEM"
        yield f"osc {mark} {printable(found.name)} ({found.host} port {found.port}): {found.text}"
    alert = report.test_alert
    if alert is not None:
        yield f"test alert on channel {alert['channel']} ({printable(alert['name'])}):"
        for target in alert["targets"]:
            word = "sent; is it on its screen?" if target["ok"] else target["text"]
            yield f"    {printable(target['name'])}: {word}"
