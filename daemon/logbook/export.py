"""A logbook as plain files: lines of JSON or CSV, clips as FLAC, spectra as CSV."""

import csv
import json
import time
from collections.abc import Iterable
from pathlib import Path
from typing import TextIO

from prehowl.daemon.errors import OutputError
from prehowl.daemon.logbook.reader import Line, LogbookReader
from prehowl.daemon.logbook.story import NO_ACT, act_told
from prehowl.daemon.sinks.words import time_words

COLUMNS = ("run", "at", "time_s", "kind", "channel", "act")
RING_COLUMNS = ("channel_name", "state", "frequency_hz", "band_hz", "level_dbfs", "cut_db")
ALERT_COLUMNS = ("alert", "mic", "mix", "wedge")
NOTE_COLUMNS = ("verb", "by", "done", "text")


def write_jsonl(lines: Iterable[Line], stream: TextIO) -> None:
    """Write one JSON object a line: the record as it was, with `run` and `at` before it."""
    for line in lines:
        record = {
            "run": line.run,
            "at": iso(line.at),
            "kind": line.kind,
            "time_s": line.time_s,
            "channel": line.channel,
            **line.data,
        }
        print(json.dumps(record, ensure_ascii=False, allow_nan=False), file=stream)


def write_csv(lines: Iterable[Line], stream: TextIO) -> None:
    """Write the columns that a table of people wants, RFC 4180 with LF line ends."""
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow((*COLUMNS, *RING_COLUMNS, *ALERT_COLUMNS, *NOTE_COLUMNS))
    acts: dict[int, str] = {}  # of each run, who is on
    for line in lines:
        acts[line.run] = act_told(line) or acts.get(line.run, NO_ACT)
        fixed = (line.run, iso(line.at), line.time_s, line.kind, line.channel, acts[line.run])
        alert = line.data.get("alert") or {}
        told = {**line.data, "text": words(line)}
        writer.writerow(
            [
                *fixed,
                *(told.get(name) for name in RING_COLUMNS),
                *(alert.get(name) for name in ("id", *ALERT_COLUMNS[1:])),
                *(told.get(name) for name in NOTE_COLUMNS),
            ]
        )


def words(line: Line) -> str:
    """Return what a line says to a person, whatever its kind."""
    for key in ("text", "effect", "name"):
        if line.data.get(key):
            return str(line.data[key])
    if line.kind == "ring":
        return f"{line.data['state']} at {line.data['frequency_hz']:g} Hz"
    return ", ".join(f"{key} {value}" for key, value in line.data.items() if value is not None)


def write_clips(reader: LogbookReader, folder: Path, run: int | None = None) -> int:
    """Write every clip as a FLAC file named after run, alert, channel and time; return how many.

    Raises
    ------
    OutputError
        If the folder or a file cannot be written.
    """
    count = 0
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for number, clip in reader.clips(run):
            at = time_words(clip.time_s).replace(":", ".")
            name = f"run{number}-alert{clip.ring}-channel{clip.channel}-{at}.flac"
            (folder / name).write_bytes(clip.flac)
            count += 1
        for number, spectrum in reader.spectra(run):
            name = f"run{number}-alert{spectrum.ring}-channel{spectrum.channel}-spectrum.csv"
            rows = [f"{n * spectrum.bin_hz:.2f},{x}" for n, x in enumerate(spectrum.level_dbfs)]
            (folder / name).write_text("\n".join(("frequency_hz,level_dbfs", *rows, "")))
    except OSError as fault:
        raise OutputError(f"{folder}: cannot be written ({fault.strerror})") from None
    return count


def iso(at: float) -> str:
    """Return seconds since 1970 as ISO 8601, UTC, to the millisecond."""
    whole = time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(at))
    return f"{whole}.{int(at * 1000) % 1000:03d}Z"
