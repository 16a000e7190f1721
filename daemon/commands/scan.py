"""`prehowl scan`: find rings in recordings, as fast as the machine can."""

import argparse
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

from rich.progress import Progress

from prehowl.daemon.channel_list import named_channels, parse_channel_list
from prehowl.daemon.command_line import real_number
from prehowl.daemon.errors import OK, SYSTEM_FAILURE, RecordingError, UsageError
from prehowl.daemon.logbook.options import (
    add_logbook_arguments,
    make_logbook,
    with_logbook_arguments,
)
from prehowl.daemon.logbook.sink import LogbookSink
from prehowl.daemon.loop import run_loop
from prehowl.daemon.output import open_output, write_fault
from prehowl.daemon.sheets.in_show import with_sheets
from prehowl.daemon.show import Show, default_show, load_show
from prehowl.daemon.show.tables import SENSITIVITIES
from prehowl.daemon.show.wiring import wiring_of
from prehowl.daemon.sinks.base import Sink
from prehowl.daemon.sinks.csv import CsvSink
from prehowl.daemon.sinks.jsonl import JsonlSink
from prehowl.daemon.sinks.progress import ProgressSink, progress_bars
from prehowl.daemon.sinks.table import TableSink
from prehowl.daemon.sources.recording import RecordingSource
from prehowl.daemon.stopping import StopFlag, stop_on_signals
from prehowl.daemon.tally import Tally
from prehowl.detectors.engine import ChannelSetup, Engine

HELP = (
    "Find rings in recordings with the same engine that watches live.\n"
    "Events go to stdout, warnings and a summary to stderr.\n"
    "Finding rings is no fault: the exit code is then 0.\n"
    "A logbook that was asked for and lacks something is one: 3."
)
EXAMPLE = "prehowl scan rehearsal.wav --channels 1,3-5 --format jsonl"
FORMATS = ("table", "jsonl", "csv")
PROGRESS_S = 1.0
SHORTEST_DELAY_MS, LONGEST_DELAY_MS = 0.5, 500.0

T = TypeVar("T")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument("files", nargs="+", metavar="FILE", help="recordings, one after another")
    parser.add_argument("--format", choices=FORMATS, default="table", help="default: table")
    parser.add_argument("--output", metavar="PATH", help="write events there, not to stdout")
    parser.add_argument(
        "--show", metavar="SHOWFILE", help="channel names, kinds, loop delays and sensitivity"
    )
    parser.add_argument("--channels", metavar="LIST", help="such as 1,3-5; default: all")
    parser.add_argument(
        "--loop-delay-ms",
        type=real_number,
        metavar="MS",
        help="once around mic, desk, wedge and air, for all channels; wins over the show file",
    )
    parser.add_argument(
        "--sensitivity",
        choices=tuple(SENSITIVITIES),
        help="how little evidence is enough, for all channels; wins over the show file",
    )
    add_logbook_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Scan all files; the code of a bad one, or 128 + signal, tells of what was left out."""
    plan = _plan(args)
    tally = Tally()
    with (
        stop_on_signals() as stop,
        open_output(args.output, inputs=args.files) as begin_output,
        progress_bars() as progress,
    ):
        scan = _Scan(plan, progress, tally, stop, begin_output)
        code = scan.all_files()
    _say(f"{'stopped early: ' if stop.is_set() else ''}{tally.summary()}")
    return stop.exit_code or code


@dataclass(frozen=True, slots=True)
class _Plan:
    """What the command line asks for."""

    files: tuple[str, ...]
    format: str
    show: Show
    channels: tuple[int, ...] | None
    loop_delay_s: float | None
    sensitivity: str | None

    def setup(self, setup: ChannelSetup) -> ChannelSetup:
        """Return the setup with the command line's word over the show file's."""
        if self.loop_delay_s is not None:
            setup = replace(setup, loop_delay_s=self.loop_delay_s)
        if self.sensitivity is not None:
            setup = replace(setup, sensitivity=SENSITIVITIES[self.sensitivity])
        return setup


def _plan(args: argparse.Namespace) -> _Plan:
    delay_ms = args.loop_delay_ms
    if delay_ms is not None and not SHORTEST_DELAY_MS <= delay_ms <= LONGEST_DELAY_MS:
        raise UsageError(
            f"--loop-delay-ms {delay_ms:g}: must be {SHORTEST_DELAY_MS:g} to "
            f"{LONGEST_DELAY_MS:g} ms; a wedge two metres away makes about 9"
        )
    show, faults = with_sheets(default_show() if args.show is None else load_show(args.show))
    for fault in faults:
        _say(fault)
    return _Plan(
        files=tuple(args.files),
        format=args.format,
        show=with_logbook_arguments(show, args),
        channels=None if args.channels is None else parse_channel_list(args.channels),
        loop_delay_s=None if delay_ms is None else delay_ms / 1000,
        sensitivity=args.sensitivity,
    )


@dataclass(slots=True)
class _Scan:
    plan: _Plan
    progress: Progress | None
    tally: Tally
    stop: StopFlag
    begin_output: Callable[[], None]

    def all_files(self) -> int:
        """Scan one file after another; a bad one among several does not keep the others back."""
        code = OK
        for path in self.plan.files:
            if self.stop.is_set():
                break
            try:
                code = max(code, self.one_file(path))
            except (RecordingError, UsageError) as fault:
                if len(self.plan.files) == 1:
                    raise
                _say(str(fault))
                code = max(code, fault.exit_code)
        return code

    def one_file(self, path: str) -> int:
        """Scan one file into the chosen output; return an exit code."""
        source = RecordingSource(path, channels=self.plan.channels)
        for text in source.warnings:
            _say(text)
        said = len(source.warnings)
        engine = self.engine(source, path)
        names = _chosen(self.plan.show.names(source.file_channels), source)
        sinks = self.sinks(source, path, names)
        # By snapshots a logbook knows how far the recording was heard, even if the scan is killed.
        kept_by = [sink for sink in sinks if isinstance(sink, LogbookSink)]
        try:
            result = run_loop(
                source,
                engine,
                sinks,
                names=names,
                channel_numbers=source.channel_numbers,
                stop=self.stop,
                snapshot_s=PROGRESS_S if kept_by or self.progress is not None else None,
                warn=lambda text: _say(f"{path}: {text}"),
                weak_bands=self.plan.show.weak_bands,
                wiring=wiring_of(self.plan.show, source.channel_numbers),
            )
        except BrokenPipeError:
            raise
        except OSError as fault:
            raise write_fault(fault) from fault
        if not self.stop.is_set():  # stopped at once, perhaps because the file is a wrong one
            self.begin_output()  # there may be no event in it
        missing = [sink.missing for sink in kept_by if sink.missing]
        for text in (*source.warnings[said:], *missing):
            _say(text)
        self.tally.add(result, dict(zip(source.channel_numbers, names, strict=True)))
        return SYSTEM_FAILURE if missing else OK

    def engine(self, source: RecordingSource, path: str) -> Engine:
        """Return an engine for the chosen channels."""
        beyond = [channel.number for channel in self.plan.show.beyond(source.file_channels)]
        if beyond:
            _say(f"{path}: the show file also names {named_channels(beyond)}, not recorded here")
        setups = _chosen(self.plan.show.setups(source.file_channels), source)
        try:
            return Engine(source.rate_hz, [self.plan.setup(setup) for setup in setups])
        except ValueError as fault:
            source.close()
            raise RecordingError(f"{path}: cannot be analysed: {fault}") from fault

    def sinks(self, source: RecordingSource, path: str, names: Sequence[str]) -> list[Sink]:
        """Return the logbook, the printer in the chosen format, and the bar on a terminal.

        The logbook comes first: it may be refused, and then nothing is printed over an old result.
        """
        name = path if len(self.plan.files) > 1 else None
        logbook = make_logbook(
            self.plan.show,
            command="scan",
            source=path,
            rate_hz=source.rate_hz,
            numbers=source.channel_numbers,
            names=names,
            may_wait=True,
        )
        sinks: list[Sink] = [] if logbook is None else [logbook]
        if self.plan.format == "jsonl":
            sinks.append(JsonlSink(sys.stdout, file=name))
        elif self.plan.format == "csv":
            is_first = self.tally.recordings == 0
            sinks.append(CsvSink(sys.stdout, file=name, has_header=is_first))
        else:
            sinks.append(TableSink(sys.stdout, heading=name))
        if self.progress is not None:
            sinks.append(ProgressSink(self.progress, Path(path).name, source.duration_s))
        return sinks


def _chosen(items: Sequence[T], source: RecordingSource) -> tuple[T, ...]:
    return tuple(items[number - 1] for number in source.channel_numbers)


def _say(text: str) -> None:
    print(f"prehowl: {' '.join(text.splitlines())}", file=sys.stderr)
