"""How a command comes to its logbook: its options, and the sink that they or the show ask for."""

import argparse
from collections.abc import Sequence
from importlib.metadata import version

from prehowl.daemon.errors import OutputError
from prehowl.daemon.logbook.place import is_name, logbook_path
from prehowl.daemon.logbook.records import ChannelRow, RunInfo, storable
from prehowl.daemon.logbook.sink import ClipPlan, LogbookSink
from prehowl.daemon.show import Show
from prehowl.daemon.show.in_force import with_command_line
from prehowl.daemon.show.tables import Channel


def add_logbook_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare `--logbook` and `--no-clips`."""
    parser.add_argument(
        "--logbook",
        metavar="NAME",
        help="keep a logbook of that name, or at that path; read it with `prehowl logbook`",
    )
    parser.add_argument(
        "--no-clips", action="store_true", help="keep no audio in the logbook, only figures"
    )


def with_logbook_arguments(show: Show, args: argparse.Namespace) -> Show:
    """Return the show with what the command line says of the logbook laid over it."""
    clips = False if args.no_clips else None
    return with_command_line(show, {"logbook.file": args.logbook, "logbook.clips": clips})


def make_logbook(
    show: Show,
    *,
    command: str,
    source: str,
    rate_hz: int,
    numbers: Sequence[int],
    names: Sequence[str],
    may_wait: bool,
) -> LogbookSink | None:
    """Return the sink that the show asks for, or None where it asks for none.

    Parameters
    ----------
    show : Show
        With the command line's word in it.
    command, source : str
        Which command runs, and on which device or file.
    rate_hz : int
    numbers, names : sequence
        Of the channels, in the order of the samples.
    may_wait : bool
        True where the source can wait for the disc.

    Raises
    ------
    OutputError
        If the folder of logbooks cannot be made.
    """
    told = show.logbook
    if told.file is None:
        return None
    path = logbook_path(told.file)
    if is_name(told.file):
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as fault:
            raise OutputError(f"{path.parent}: cannot be made ({fault.strerror})") from None
    rows = tuple(
        channel_row(show, number, storable(name))
        for number, name in zip(numbers, names, strict=True)
    )
    title = show.stage.title
    info = RunInfo(command, storable(source), title, rate_hz, version("prehowl"), rows)
    plan = ClipPlan(told.clips, told.clip_before_s, told.clip_after_s, told.clips_mb)
    return LogbookSink(path, info, clips=plan, may_wait=may_wait)


def channel_row(show: Show, number: int, name: str) -> ChannelRow:
    """Return what the logbook keeps of a channel."""
    told = {channel.number: channel for channel in show.channels}
    channel = told.get(number, Channel(number))
    partner = show.partner(channel)
    return ChannelRow(number, name, str(channel.kind), "" if partner is None else partner.label)
