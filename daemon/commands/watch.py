"""`prehowl watch`: the live job, or a recording at its own pace."""

import argparse
import math
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from importlib.metadata import version

from prehowl.daemon.channel_list import named_channels, parse_channel_list
from prehowl.daemon.command_line import real_number, whole_number
from prehowl.daemon.desk.desk import Desk
from prehowl.daemon.desk.running_order import RunningOrder
from prehowl.daemon.errors import OK, UsageError
from prehowl.daemon.loop import LoopResult, Pace, StopFlag, run_loop, stop_on_signals
from prehowl.daemon.osc_in.opened import OscInput
from prehowl.daemon.sheets.in_show import with_sheets
from prehowl.daemon.show import Show, default_show, load_show
from prehowl.daemon.show.in_force import with_command_line, with_osc_in, with_targets
from prehowl.daemon.show.tables import THEMES
from prehowl.daemon.sinks.base import Sink
from prehowl.daemon.sinks.csv import CsvSink
from prehowl.daemon.sinks.dashboard import Dashboard
from prehowl.daemon.sinks.health_lines import HealthLines
from prehowl.daemon.sinks.jsonl import JsonlSink
from prehowl.daemon.sinks.osc import OscSink, sink_for
from prehowl.daemon.sinks.table import TableSink
from prehowl.daemon.sinks.words import counted, time_words
from prehowl.daemon.sources.base import Source
from prehowl.daemon.sources.limited import LimitedSource
from prehowl.detectors.engine import ChannelSetup, Engine

HELP = """Watch a live audio interface, or a recording at its own pace, and tell of every ring.

On a terminal the dashboard runs (keys: see its last line); --headless, or output into a pipe or
file, gives a line an event instead, and device trouble as lines on stderr. OSC goes to the
receivers of the show file and to those of --osc.

Once started, a live watch goes on whatever happens to the device: it waits for it, opens it again
and says how much was missed. Ctrl-C or SIGTERM stops it cleanly; a second Ctrl-C forces the end.

exit codes: 0 stopped by a person or at the end of --seconds or the recording; 2 wrong options,
show file or recording; 3 the device does not open."""

EXAMPLE = "prehowl watch --device 2 --channels 1-8 --osc 192.168.1.20:9000"

HEADLESS_SINKS: dict[str, Callable[..., Sink]] = {
    "table": TableSink,
    "jsonl": JsonlSink,
    "csv": CsvSink,
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument("--show", metavar="SHOWFILE", help="show file (TOML)")
    parser.add_argument(
        "--device", metavar="NAME", help="number, or words of the name, from `prehowl devices`"
    )
    parser.add_argument(
        "--rate", metavar="HZ", type=whole_number, help="samples per second of the device"
    )
    parser.add_argument("--channels", metavar="LIST", help="inputs to watch, such as 1-8,12")
    parser.add_argument("--recording", metavar="FILE", help="watch a file in place of a device")
    parser.add_argument(
        "--pace", choices=("real", "fast"), default="real", help="of a recording; default real"
    )
    parser.add_argument("--headless", action="store_true", help="no dashboard, a line an event")
    parser.add_argument(
        "--format", choices=tuple(HEADLESS_SINKS), help="of the lines; default table; no dashboard"
    )
    parser.add_argument(
        "--osc", metavar="HOST:PORT", action="append", default=[], help="a further OSC receiver"
    )
    parser.add_argument(
        "--osc-in", metavar="[HOST:]PORT", help="let OSC ask for things here; default off"
    )
    parser.add_argument("--theme", choices=THEMES, help="of the dashboard")
    parser.add_argument("--seconds", metavar="N", type=real_number, help="stop after so long")


def run(args: argparse.Namespace) -> int:
    """Watch until the end, a signal or a key."""
    _refuse_contradictions(args)
    show = _show(args)
    watched = _watched(args, show)
    try:
        # Before anyone is told that the watch is on: from then on every stop must be a clean one.
        # OSC in as well: a port that is taken must not be told after 'watching'.
        with stop_on_signals() as stop, OscInput(show.osc_in).listening() as asked:
            _say_what_is_missing(show, watched)
            result = _run(show, watched, asked, stop)
    finally:
        watched.source.close()
    if watched.is_headless:
        _say_result(result)
    return OK


@dataclass(frozen=True, slots=True)
class _Watched:
    """The source with what the command knows of it."""

    source: Source
    numbers: tuple[int, ...]  # on the interface or in the file, from 1
    title: str
    pace: Pace
    is_headless: bool
    format: str


def _refuse_contradictions(args: argparse.Namespace) -> None:
    if args.recording is not None and (args.device is not None or args.rate is not None):
        raise UsageError(
            "--device and --rate belong to a live watch, a recording has its own rate; "
            "leave them away or leave --recording away"
        )
    if args.seconds is not None and not (math.isfinite(args.seconds) and args.seconds > 0):
        raise UsageError(f"--seconds {args.seconds:g}: must be above 0; leave it out for no end")


def _show(args: argparse.Namespace) -> Show:
    show, faults = with_sheets(default_show() if args.show is None else load_show(args.show))
    for fault in faults:
        _say(fault)
    values = {"device.name": args.device, "device.rate_hz": args.rate, "screen.theme": args.theme}
    show = with_targets(with_command_line(show, values), args.osc)
    return with_osc_in(show, args.osc_in)


def _watched(args: argparse.Namespace, show: Show) -> _Watched:
    channels = None if args.channels is None else parse_channel_list(args.channels)
    source, numbers, title = _opened(args, show, channels)
    is_live = args.recording is None
    if args.seconds is not None:
        source = LimitedSource(source, args.seconds, is_live=is_live)
    return _Watched(
        source=source,
        numbers=numbers,
        title=title,
        pace="fast" if is_live else args.pace,
        is_headless=args.headless or args.format is not None or not Dashboard.is_possible(),
        format=args.format or "table",
    )


def _opened(
    args: argparse.Namespace, show: Show, channels: tuple[int, ...] | None
) -> tuple[Source, tuple[int, ...], str]:
    # Imported here: each source brings a library of its own, and the other must do without.
    if args.recording is not None:
        from prehowl.daemon.sources.recording import RecordingSource

        recording = RecordingSource(args.recording, channels=channels)
        return recording, recording.channel_numbers, str(args.recording)
    from prehowl.daemon.sources.device import DeviceSource

    device = DeviceSource(
        show.device.name,
        channels=channels or _told_channels(show),
        up_to=max((channel.number for channel in show.channels), default=None),
        rate_hz=show.device.rate_hz if "device.rate_hz" in show.origins else None,
    )
    return device, device.channel_numbers, device.device_name


def _told_channels(show: Show) -> tuple[int, ...] | None:
    return None if show.device.channels is None else tuple(range(1, show.device.channels + 1))


def _run(show: Show, watched: _Watched, asked: OscInput, stop: StopFlag) -> LoopResult:
    most = max(watched.numbers)
    known = [""] * most
    for number, name in zip(watched.numbers, watched.source.names, strict=True):
        known[number - 1] = name
    all_names, all_setups = show.names(most, known), show.setups(most)
    names = [all_names[number - 1] for number in watched.numbers]
    engine = _engine(watched.source.rate_hz, [all_setups[n - 1] for n in watched.numbers])
    osc = sink_for(show, version=version("prehowl"), channels=watched.numbers)
    order = RunningOrder(show.acts, follows_clock=show.order.follow_clock)
    desk = Desk(
        names, watched.numbers, order=order, sources=(asked,), weak_bands=show.act_weak_bands
    )
    attached = asked.subscribers(
        title=show.stage.title or watched.title, numbers=watched.numbers, names=names
    )
    return run_loop(
        watched.source,
        engine,
        [*_sinks(watched, show, desk, osc, stop), *attached],
        names=names,
        channel_numbers=watched.numbers,
        stop=stop,
        pace=watched.pace,
        complete_health=lambda health: replace(
            health, targets=osc.target_health() + asked.health()
        ),
        warn=_say,
        desk=desk,
        weak_bands=show.weak_bands,
    )


def _engine(rate_hz: int, setups: Sequence[ChannelSetup]) -> Engine:
    try:
        return Engine(rate_hz, setups)
    except ValueError as fault:
        raise UsageError(
            f"{fault}. The rate is {rate_hz} Hz with {counted(len(setups), 'channel')}"
        ) from None


def _sinks(watched: _Watched, show: Show, desk: Desk, osc: OscSink, stop: StopFlag) -> list[Sink]:
    """Return the sinks; OSC first, since what it queues leaves while the others still print.

    Before it only that which says nothing of events, and closes after it: the lines of trouble.
    """
    if watched.is_headless:
        trouble = HealthLines(sys.stderr, osc.target_health)
        return [trouble, osc, HEADLESS_SINKS[watched.format](sys.stdout)]
    dashboard = Dashboard(
        desk.names,
        channel_numbers=watched.numbers,
        theme=show.screen.theme,
        title=show.stage.title or watched.title,
        on_quit=stop.set,
        on_command=desk.put,
        weak_bands=show.weak_bands,
    )
    return [osc, dashboard]


def _say_what_is_missing(show: Show, watched: _Watched) -> None:
    absent = [channel.number for channel in show.channels if channel.number not in watched.numbers]
    if absent:
        _say(f"the show file also names {named_channels(absent)}, not watched here")
    if watched.is_headless:
        _say(
            f"watching {watched.title!r}, {counted(len(watched.numbers), 'channel')} at "
            f"{watched.source.rate_hz} Hz. Ctrl-C ends"
        )


def _say_result(result: LoopResult) -> None:
    numbers = tuple(result.alarms_by_channel)
    where = f" on {named_channels(numbers)}" if numbers else ""
    _say(
        f"watched {time_words(result.duration_s)}: {counted(result.alarms, 'alarm')}{where}; "
        f"{counted(result.lost_samples, 'sample')} lost"
    )


def _say(text: str) -> None:
    print(f"prehowl: {text}", file=sys.stderr, flush=True)
