"""`prehowl logbook`: read what happened in a show."""

import argparse
import shlex
import sys
from collections.abc import Mapping
from pathlib import Path

from prehowl.daemon.channel_list import channel_words
from prehowl.daemon.command_line import CommandParser, whole_number
from prehowl.daemon.errors import FOUND_A_PROBLEM, OK, PrehowlError, UsageError
from prehowl.daemon.logbook.export import words, write_clips, write_csv, write_jsonl
from prehowl.daemon.logbook.place import SUFFIX, logbook_folder, logbook_path
from prehowl.daemon.logbook.reader import Line, LogbookError, LogbookReader, Run
from prehowl.daemon.logbook.records import Kind
from prehowl.daemon.logbook.report.clock import day_words, when_words
from prehowl.daemon.logbook.report.data import gather
from prehowl.daemon.logbook.report.page import page
from prehowl.daemon.logbook.report.pdf import save_pdf
from prehowl.daemon.output import open_output, refuse_inputs
from prehowl.daemon.sinks.words import counted, printable, time_words

HELP = """Read the logbooks that `watch`, `demo` and `scan` keep with --logbook or the show file.

A bare name means a logbook in the user's data folder, anything with a slash or the ending
.logbook a path. A logbook can be read while it is being written.

  list     logbooks, with day, length, alarms and size
  show     what happened, line by line
  report   one HTML page to keep or print: what rang, when, how bad, what to change tomorrow
  export   lines for scripts, clips and spectra as files

exit codes: 0 fine; 1 a logbook in the list cannot be read; 2 no such logbook, or wrong usage; 3 a
result cannot be written, or the file is of another program or a later version."""

EXAMPLE = "prehowl logbook report saturday --output saturday.html"

EXPORTS = {"jsonl": write_jsonl, "csv": write_csv}


def add_arguments(parser: CommandParser) -> None:
    """Declare the options."""
    actions = parser.add_subparsers(dest="action", required=True, metavar="ACTION")
    listing = actions.add_parser(
        "list",
        help="logbooks, with day, length, alarms and size",
        text="Show the logbooks of a folder: day, length, alarms, size.",
        example="prehowl logbook list",
    )
    listing.add_argument("folder", nargs="?", help="default: the user's data folder")
    showing = actions.add_parser(
        "show",
        help="what happened, line by line",
        text="Show what happened, line by line.",
        example="prehowl logbook show saturday --kind ring",
    )
    _add_choice(showing)
    showing.add_argument("--kind", help="only entries of this kind, such as ring or health")
    showing.add_argument("--channel", metavar="N", type=whole_number, help="only this channel")
    reporting = actions.add_parser(
        "report",
        help="one HTML page",
        text="Write one HTML page: what rang, when, how bad, what to change tomorrow.",
        example="prehowl logbook report saturday --output saturday.html",
    )
    _add_choice(reporting)
    reporting.add_argument("--output", metavar="PATH", help="default: the name with .html, here")
    reporting.add_argument("--pdf", metavar="PATH", help="a PDF as well (needs matplotlib)")
    exporting = actions.add_parser(
        "export",
        help="lines for scripts, clips and spectra as files",
        text="Write entries as lines for scripts, clips and spectra as files.",
        example="prehowl logbook export saturday --clips saturday-clips",
    )
    _add_choice(exporting)
    exporting.add_argument("--format", choices=tuple(EXPORTS), default="jsonl")
    exporting.add_argument("--output", metavar="PATH", help="default: stdout")
    exporting.add_argument("--clips", metavar="FOLDER", help="write clips and spectra there")


def _add_choice(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("name", help="of the logbook, or its path")
    parser.add_argument(
        "--run", metavar="N", type=whole_number, help="only this start of the program"
    )


def run(args: argparse.Namespace) -> int:
    """Do what the action says."""
    if args.action == "list":
        return _list(Path(args.folder) if args.folder else logbook_folder())
    with LogbookReader(logbook_path(args.name)) as reader:
        _refuse_absent_run(reader, args.run)
        actions = {"show": _show, "report": _report, "export": _export}
        return actions[args.action](reader, args)


def _refuse_absent_run(reader: LogbookReader, wanted: int | None) -> None:
    there = [one.id for one in reader.runs()]
    if not there:
        raise LogbookError(f"logbook {reader.path}: holds nothing yet")
    if wanted is not None and wanted not in there:
        known = ", ".join(map(str, there))
        raise LogbookError(f"logbook {reader.path}: has no run {wanted}. There are: {known}")


def _list(folder: Path) -> int:
    """Print one line a logbook; one that cannot be read is told among the others."""
    paths = sorted(folder.glob(f"*{SUFFIX}"))
    if not paths:
        _say(f"no logbook in {folder}. `prehowl watch --logbook {_begin_words(folder)}` begins one")
        return OK
    code = OK
    print(f"{'logbook':<24} {'began':<16} {'watched':>10} {'alarms':>6} {'MB':>7}  show")
    for path in paths:
        try:
            with LogbookReader(path) as reader:
                print(_list_line(path, reader))
        except PrehowlError as fault:  # damaged, of another program, of a later version
            _say(str(fault))
            code = FOUND_A_PROBLEM
    return code


def _begin_words(folder: Path) -> str:
    """Return how --logbook names a logbook in a folder: bare only in the user's data folder."""
    is_default = folder.resolve() == logbook_folder().resolve()
    return "saturday" if is_default else shlex.quote(str(folder / f"saturday{SUFFIX}"))


def _list_line(path: Path, reader: LogbookReader) -> str:
    runs = reader.runs()
    if not runs:
        return f"{path.stem:<24} nothing yet"
    report = gather(reader)
    watched = time_words(sum(one.watched_s for one in runs))
    megabytes = path.stat().st_size / 1e6
    torn = "" if all(one.is_ended for one in runs) else "  (running, or torn off)"
    return (
        f"{printable(path.stem):<24} {day_words(runs[0])} {watched:>10} {report.alarms:>6} "
        f"{megabytes:>7.1f}  {printable(runs[-1].info.title)}{torn}"
    )


def _show(reader: LogbookReader, args: argparse.Namespace) -> int:
    """Print every run, calm ones too, with its lines; say what there is where no line fits."""
    _refuse_unknown_kind(reader, args.kind)
    clips = reader.clip_sizes()
    count = 0
    for one in reader.runs():
        if args.run in (None, one.id):
            print(_run_line(one))
            for line in reader.lines(run=one.id, kind=args.kind, channel=args.channel):
                print(_entry_line(line, one, clips))
                count += 1
    if not count:
        _say(_nothing_words(reader, args))
    return OK


def _refuse_unknown_kind(reader: LogbookReader, wanted: str | None) -> None:
    if wanted is None:
        return
    known = {*map(str, Kind), *reader.kinds()}
    if wanted not in known:
        raise UsageError(f"--kind {wanted}: no such kind. There are: {', '.join(sorted(known))}")


def _nothing_words(reader: LogbookReader, args: argparse.Namespace) -> str:
    """Return why no line was shown, with the kinds and channels that have some."""
    kinds, channels = reader.kinds(args.run), reader.channels(args.run)
    if not kinds:
        return "no line is kept: nothing rang, nobody did anything, device and machine were well"
    asked = [] if args.kind is None else [f"kind {args.kind}"]
    asked += [] if args.channel is None else [f"channel {args.channel}"]
    there = f"kinds: {', '.join(kinds)}; channels: {channel_words(channels) or 'none'}"
    return f"no line of {' and '.join(asked)}. There are lines of these {there}"


def _entry_line(line: Line, one: Run, clips: Mapping[tuple[int, int], int]) -> str:
    name = printable(str(line.data.get("channel_name", "")))
    kept_as = _clip_of(line)
    mark = f"  clip of alert {kept_as[1]}" if kept_as in clips and kept_as else ""
    when = when_words(one, line.at, line.time_s)
    return f"{when:>10}  {line.kind:<8} {name:<14} {printable(words(line))}{mark}"


def _clip_of(line: Line) -> tuple[int, int] | None:
    """Return by what a clip would be kept: of an alarm, on the channel that the howl belongs to."""
    if line.kind != "ring" or line.data["state"] not in ("ringing", "howling"):
        return None
    alert = line.data.get("alert") or {"id": line.data["id"], "channel": line.channel}
    return (line.run, alert["id"]) if alert["channel"] == line.channel else None


def _run_line(one: Run) -> str:
    info = one.info
    end = "" if one.is_ended else ", no clean end (still running, or torn off)"
    return (
        f"run {one.id}: {day_words(one)}, {info.command} of {printable(info.source)}, "
        f"{counted(len(info.channels), 'channel')} at {info.rate_hz} Hz, "
        f"{time_words(one.watched_s)}{end}"
    )


def _report(reader: LogbookReader, args: argparse.Namespace) -> int:
    report = gather(reader, args.run)
    written = args.output or f"{reader.path.stem}.html"
    inputs, text = [str(reader.path)], page(report)
    if args.pdf is not None:
        refuse_inputs(args.pdf, inputs)
    with open_output(written, inputs=inputs):
        print(text, end="")
    if args.pdf is not None:
        save_pdf(report, Path(args.pdf))
        written += f" and {args.pdf}"
    _say(f"{counted(report.alarms, 'alarm')}; written: {written}")
    return OK


def _export(reader: LogbookReader, args: argparse.Namespace) -> int:
    with open_output(args.output, inputs=[str(reader.path)]) as begin_output:
        EXPORTS[args.format](reader.lines(run=args.run), sys.stdout)
        begin_output()  # there may be no line in it
    if args.clips is not None:
        count = write_clips(reader, Path(args.clips), args.run)
        _say(f"{counted(count, 'clip')} written to {args.clips}")
    return OK


def _say(text: str) -> None:
    print(f"prehowl: {text}", file=sys.stderr)
