"""`prehowl watch`: the live job, or a recording at its own pace."""

import argparse
import math
import sys

from prehowl.daemon.channel_list import named_channels, parse_channel_list
from prehowl.daemon.command_line import real_number, whole_number
from prehowl.daemon.errors import OK, UsageError
from prehowl.daemon.log import LEVELS, Log
from prehowl.daemon.logbook.options import add_logbook_arguments, with_logbook_arguments
from prehowl.daemon.loop import LoopResult, StopFlag, stop_on_signals
from prehowl.daemon.osc_in.opened import OscInput
from prehowl.daemon.service.ask import print_status
from prehowl.daemon.service.reload import on_hangup
from prehowl.daemon.sheets.in_show import with_sheets
from prehowl.daemon.show import Show, default_show, load_show
from prehowl.daemon.show.in_force import with_command_line, with_osc_in, with_targets
from prehowl.daemon.show.tables import THEMES
from prehowl.daemon.sinks.dashboard import Dashboard
from prehowl.daemon.sinks.spare_lines import LAST_WAIT_S
from prehowl.daemon.sinks.words import counted, time_words
from prehowl.daemon.sources.base import Source
from prehowl.daemon.sources.limited import LimitedSource
from prehowl.daemon.stopping import StoppedEarly
from prehowl.daemon.watch_parts import HEADLESS_SINKS, run_watch
from prehowl.daemon.watched import Watched

HELP = """Watch a live audio interface, or a recording at its own pace, and tell of every ring.

On a terminal the dashboard runs (keys: see its last line); --headless, or output into a pipe or
file, gives a line an event instead, and device trouble as lines on stderr. OSC goes to the
receivers of the show file and to those of --osc.

As a service: SIGHUP reads the show file again (all but title, device, screen, logbook, osc_in, and
who belongs to which mix and wedge; a wrong file changes nothing), --status asks a running watch how
it is, --metrics serves figures on loopback.

Once started, a live watch goes on whatever happens to the device: it waits for it, opens it again,
at another rate if need be, and says how much was missed. Where the computer cannot keep up it
leaves out parts of the work in a stated order and says so. Ctrl-C or SIGTERM stops it cleanly; a
second Ctrl-C forces the end.

exit codes: 0 stopped by a person or at the end of --seconds or the recording; 1 --status found a
watch that is not well, or none; 2 wrong options, show file or recording; 3 the device does not
open, a logbook or port cannot be had, or the logbook of a recording lacks something."""

HIGHEST_PORT = 65535
EXAMPLE = "prehowl watch --device 2 --channels 1-8 --osc 192.168.1.20:9000"


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
    add_logbook_arguments(parser)
    parser.add_argument("--seconds", metavar="N", type=real_number, help="stop after so long")
    parser.add_argument(
        "--log-level",
        choices=tuple(LEVELS),
        default="info",
        help="of stderr; default info",
    )
    parser.add_argument(
        "--metrics", metavar="PORT", type=whole_number, help="OpenMetrics on that port of 127.0.0.1"
    )
    parser.add_argument(
        "--status", action="store_true", help="ask running watches how they are, start none"
    )


def run(args: argparse.Namespace) -> int:
    """Watch until the end, a signal or a key."""
    if args.status:
        return print_status(as_json=args.format == "jsonl")
    _refuse_contradictions(args)
    log = Log(least=args.log_level)
    show = _show(args, log)
    # Before the device is opened, which takes its time: from here on every stop is a clean one.
    with stop_on_signals() as stop, on_hangup(stop.set, even_if_ignored=False):
        try:
            watched = _watched(args, show, stop, log)
        except StoppedEarly:
            log.say("stopped before the watch began")
            return OK
        try:
            # OSC in first: a port that is taken must not be told after 'watching'.
            with OscInput(show.osc_in).listening() as asked:
                _say_what_is_missing(show, watched, log)
                result, code = run_watch(show, watched, asked, stop, log)
        finally:
            watched.source.close()
    if watched.is_headless:
        _say_result(result, log)
    log.flush(LAST_WAIT_S)
    return code


def _refuse_contradictions(args: argparse.Namespace) -> None:
    if args.recording is not None and (args.device is not None or args.rate is not None):
        raise UsageError(
            "--device and --rate belong to a live watch, a recording has its own rate; "
            "leave them away or leave --recording away"
        )
    if args.seconds is not None and not (math.isfinite(args.seconds) and args.seconds > 0):
        raise UsageError(f"--seconds {args.seconds:g}: must be above 0; leave it out for no end")
    if args.metrics is not None and not 1 <= args.metrics <= HIGHEST_PORT:
        raise UsageError(f"--metrics {args.metrics}: a port is 1 to {HIGHEST_PORT}, such as 9464")


def _show(args: argparse.Namespace, log: Log) -> Show:
    show, faults = with_sheets(default_show() if args.show is None else load_show(args.show))
    for fault in faults:
        log.warn(fault)
    values = {"device.name": args.device, "device.rate_hz": args.rate, "screen.theme": args.theme}
    show = with_logbook_arguments(with_command_line(show, values), args)
    return with_osc_in(with_targets(show, args.osc), args.osc_in)


def _watched(args: argparse.Namespace, show: Show, stop: StopFlag, log: Log) -> Watched:
    channels = None if args.channels is None else parse_channel_list(args.channels)
    source, numbers, title = _opened(args, show, channels, stop)
    is_live = args.recording is None
    is_headless = args.headless or args.format is not None or not Dashboard.is_possible()
    can_reload = bool(args.show) and is_headless and not _has_terminal()
    if args.seconds is not None:
        source = LimitedSource(source, args.seconds, is_live=is_live)
    return Watched(
        source=source,
        numbers=numbers,
        title=title,
        pace="fast" if is_live else args.pace,
        is_live=is_live,
        is_headless=is_headless,
        format=args.format or "table",
        metrics_port=args.metrics,
        reload=(lambda: _show(args, log)) if can_reload else None,
        has_chosen=channels is not None,
    )


def _has_terminal() -> bool:
    """Tell whether a person's terminal may hang up, which is then the end of the watch."""
    return sys.stdin is not None and sys.stdin.isatty()


def _opened(
    args: argparse.Namespace, show: Show, channels: tuple[int, ...] | None, stop: StopFlag
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
        adapts=True,
        stop=stop,
    )
    return device, device.channel_numbers, device.device_name


def _told_channels(show: Show) -> tuple[int, ...] | None:
    return None if show.device.channels is None else tuple(range(1, show.device.channels + 1))


def _say_what_is_missing(show: Show, watched: Watched, log: Log) -> None:
    if absent := watched.unwatched(show):
        log.say(f"the show file also names {named_channels(absent)}, not watched here")
    if watched.is_headless:
        log.say(
            f"watching {watched.title!r}, {counted(len(watched.numbers), 'channel')} at "
            f"{watched.source.rate_hz} Hz. Ctrl-C ends"
        )


def _say_result(result: LoopResult, log: Log) -> None:
    numbers = tuple(result.alarms_by_channel)
    where = f" on {named_channels(numbers)}" if numbers else ""
    log.say(
        f"watched {time_words(result.duration_s)}: {counted(result.alarms, 'alarm')}{where}; "
        f"{counted(result.lost_samples, 'sample')} lost"
    )
