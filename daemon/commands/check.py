"""`prehowl check`: is everything as it should be, before doors."""

import argparse
import json
import math
import sys
from dataclasses import dataclass
from importlib.metadata import version
from typing import Any

from prehowl.daemon.channel_list import named_channels
from prehowl.daemon.check_report import ListenedTo, Report, report_lines
from prehowl.daemon.command_line import real_number, whole_number
from prehowl.daemon.errors import DeviceError, DeviceFault, UsageError
from prehowl.daemon.levels import LevelMeter, listen
from prehowl.daemon.osc_check import look_at_targets, send_test_alert
from prehowl.daemon.sheets.in_show import named_sheets
from prehowl.daemon.show import Channel, Kind, Show, default_show, load_show
from prehowl.daemon.show.in_force import with_command_line, with_targets
from prehowl.daemon.sinks.words import counted
from prehowl.daemon.sources.base import Source
from prehowl.detectors.engine import Engine

HELP = """Look over show file, device, channel levels and OSC before doors.

Prints what is in force and where it came from, listens for a few seconds and says in a word how
every channel arrives: silent, low, fine, hot or clipping. Reads every EQ sheet that the show file
names. Asks every OSC receiver as far as UDP
can tell; --test-alert also shows a ring marked TEST on all of them for two seconds.

Without a device (--no-device, or none is named and none is there) the rest is still checked.
--recording FILE checks a recording in the device's place.

--format json prints one object; its keys:
  ok, exit_code; problems, notes: lists of text
  show_file: path or null; settings: [{path, value, origin: file | command line | default}]
  channels: [{number, name, kind, loop_delay_ms, loop_delay_from, sensitivity}]
  sheets: [{channel, sheet, title, version, fault}]; title and version null where it is not there
  source: {kind: device | recording | none, name, rate_hz, channels, listened_s, text}
  levels: [{channel, name, level_dbfs, peak_dbfs, clipped_samples, verdict}]
  osc: [{name, host, port, address, ok, text}]
  test_alert: null, or {channel, name, targets: [{name, ok, text}]}

exit codes: 0 all fine; 1 a problem was found; 2 wrong options, show file or recording; 3 the
device fails."""

EXAMPLE = "prehowl check --no-device"

LONGEST_S = 600.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument("--show", metavar="SHOWFILE", help="show file (TOML)")
    where = parser.add_mutually_exclusive_group()
    where.add_argument(
        "--device", metavar="NAME", help="number, or words of the name, from `prehowl devices`"
    )
    where.add_argument("--recording", metavar="FILE", help="check a file in place of a device")
    where.add_argument("--no-device", action="store_true", help="do not listen to anything")
    parser.add_argument(
        "--rate", metavar="HZ", type=whole_number, help="samples per second of the device"
    )
    parser.add_argument(
        "--seconds",
        metavar="N",
        type=real_number,
        default=3.0,
        help="listen so long; default 3",
    )
    parser.add_argument(
        "--osc", metavar="HOST:PORT", action="append", default=[], help="a further OSC receiver"
    )
    parser.add_argument(
        "--test-alert",
        metavar="CHANNEL",
        type=whole_number,
        nargs="?",
        const=0,
        help="show a TEST ring on this channel (default: the first mic) on every receiver",
    )
    parser.add_argument(
        "--format", choices=("table", "json"), default="table", help="default: table"
    )


def run(args: argparse.Namespace) -> int:
    """Check all there is to check and report it."""
    if not (math.isfinite(args.seconds) and 0 < args.seconds <= LONGEST_S):
        raise UsageError(f"--seconds {args.seconds:g}: must be above 0, at most {LONGEST_S:g}")
    if args.recording is not None and args.rate is not None:
        raise UsageError("--rate belongs to a device; a recording has its own rate")
    show = _show(args)
    test_channel = None if args.test_alert is None else _test_channel(show, args.test_alert)
    report = Report(show_file=args.show, show=show, sheets=named_sheets(show))
    report.problems.extend(found.fault for found in report.sheets if found.fault)
    _check_source(args, show, report)
    _check_osc(show, report)
    if test_channel is not None:
        _test_alert(show, test_channel, report)
    if args.format == "json":
        print(json.dumps(report.record(), ensure_ascii=False, allow_nan=False, indent=1))
    else:
        print("\n".join(report_lines(report)))
    return report.exit_code


def _show(args: argparse.Namespace) -> Show:
    show = default_show() if args.show is None else load_show(args.show)
    values = {"device.name": args.device, "device.rate_hz": args.rate}
    return with_targets(with_command_line(show, values), args.osc)


def _check_source(args: argparse.Namespace, show: Show, report: Report) -> None:
    if args.no_device:
        report.skip("the device was not looked at, as asked with --no-device")
        return
    try:
        opened = _opened(args, show)
    except DeviceError as fault:
        _no_device(fault, show, report)
        return
    try:
        _check_opened(opened, show, args.seconds, report)
    finally:
        opened.source.close()


@dataclass(frozen=True, slots=True)
class _Opened:
    """A source with what the command knows of it."""

    kind: str
    name: str
    source: Source
    numbers: tuple[int, ...]


def _opened(args: argparse.Namespace, show: Show) -> _Opened:
    # Imported here: each source brings a library of its own, and the other must do without.
    if args.recording is not None:
        from prehowl.daemon.sources.recording import RecordingSource

        recording = RecordingSource(args.recording)
        return _Opened("recording", str(args.recording), recording, recording.channel_numbers)
    from prehowl.daemon.sources.device import DeviceSource

    most = show.device.channels
    device = DeviceSource(
        show.device.name,
        channels=None if most is None else tuple(range(1, most + 1)),
        up_to=max((channel.number for channel in show.channels), default=None),
        rate_hz=show.device.rate_hz,
    )
    return _Opened("device", device.device_name, device, device.channel_numbers)


def _no_device(fault: DeviceError, show: Show, report: Report) -> None:
    """Nobody asked for a device and there is none: then that is no failure, but told."""
    is_none_here = fault.fault in (DeviceFault.ABSENT, DeviceFault.LIBRARY)
    if show.device.name is None and is_none_here:
        report.skip(f"no device was looked at: {fault}")
    else:
        report.skip(f"the device fails: {fault}")
        report.device_failed = True
        report.problems.append(f"device: {fault}")


def _check_opened(opened: _Opened, show: Show, seconds: float, report: Report) -> None:
    source = opened.source
    report.problems.extend(_setup_problems(show, source))
    if sys.stderr.isatty():
        print(f"prehowl: listening for {seconds:g} s ...", file=sys.stderr)
    meter = listen(source, seconds)
    listened_s = meter.samples / source.rate_hz
    report.source = ListenedTo(
        opened.kind, opened.name, source.rate_hz, source.channels, round(listened_s, 3), ""
    )
    health = source.health()
    if health.detail:
        report.notes.append(f"{opened.kind}: {health.detail}")
    if health.lost_samples or health.overflows:
        lost = (
            f"{counted(health.lost_samples, 'sample')} a channel, "
            f"{counted(health.overflows, 'overflow')}"
        )
        report.problems.append(f"{opened.kind}: audio was lost while listening ({lost})")
    _check_levels(opened, show, meter, seconds, report)


def _check_levels(
    opened: _Opened, show: Show, meter: LevelMeter, seconds: float, report: Report
) -> None:
    if not meter.samples:
        report.problems.append(f"{opened.kind}: no audio came within {seconds:g} s")
        report.device_failed = opened.kind == "device"
        return
    if meter.damaged:
        report.problems.append(f"samples that are no numbers (NaN or infinite): {meter.damaged}")
    names = show.names(max(opened.numbers))
    report.levels = meter.levels(opened.numbers, [names[n - 1] for n in opened.numbers])
    mics = {channel.number for channel in show.channels if channel.kind == Kind.MIC}
    for level in report.levels:
        if level.verdict == "clipping":
            report.problems.append(
                f"channel {level.channel} ({level.name}) clips: turn its gain down"
            )
        elif level.verdict == "silent" and level.channel in mics:
            report.problems.append(
                f"channel {level.channel} ({level.name}) is a mic and silent: plugged in, "
                "patched, phantom power?"
            )


def _setup_problems(show: Show, source: Source) -> list[str]:
    problems = []
    beyond = [channel.number for channel in show.beyond(source.channels)]
    if beyond:
        problems.append(
            f"the source has {counted(source.channels, 'channel')}; the show file also "
            f"names {named_channels(beyond)}"
        )
    if show.device.rate_hz not in (None, source.rate_hz):
        problems.append(f"the source runs at {source.rate_hz} Hz, asked: {show.device.rate_hz} Hz")
    try:
        Engine(source.rate_hz, show.setups(source.channels))
    except ValueError as fault:
        problems.append(f"the analysis refuses the source: {fault}")
    return problems


def _check_osc(show: Show, report: Report) -> None:
    report.osc = look_at_targets(show.osc)
    report.problems.extend(
        f"OSC target {found.name}: {found.text}" for found in report.osc if not found.ok
    )
    if not show.osc:
        report.notes.append("no OSC receiver is named; nobody is told but the screen")


def _test_channel(show: Show, number: int) -> Channel:
    if not show.osc:
        raise UsageError(
            "--test-alert has nobody to tell: name a receiver with --osc HOST:PORT or in the show "
            "file under [[osc]]"
        )
    if not 0 <= number <= 256:
        raise UsageError(f"--test-alert {number}: channels go from 1 to 256")
    if number == 0:
        number = next((c.number for c in show.channels if c.kind == Kind.MIC), 1)
    listed = [channel for channel in show.channels if channel.number == number]
    return listed[0] if listed else Channel(number)


def _test_alert(show: Show, channel: Channel, report: Report) -> None:
    sink = send_test_alert(show, channel, version=version("prehowl"))
    targets: list[dict[str, Any]] = [
        {"name": name, "ok": text == "ok", "text": text} for name, text in sink.target_health()
    ]
    report.test_alert = {"channel": channel.number, "name": channel.label, "targets": targets}
    known = {found.name for found in report.osc if not found.ok}
    for target in targets:
        if not target["ok"] and target["name"] not in known:
            report.problems.append(f"test alert to {target['name']}: {target['text']}")
