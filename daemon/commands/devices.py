"""`prehowl devices`: what there is to listen on."""

import argparse
import json
import sys
from collections.abc import Sequence
from dataclasses import asdict

from prehowl.daemon.errors import FOUND_A_PROBLEM, OK
from prehowl.daemon.sources.device_list import DeviceRow, list_devices

HELP = """List the audio inputs of this computer.

The number, or some words of the name, is what `prehowl watch --device` and the show file take.
'*' marks the default input. Inputs of an audio server (JACK, PipeWire) appear while it runs.

--format json prints one object {"devices": [...]}; the keys of each device are number, name,
host_api, input_channels, output_channels, default_rate_hz, is_default.

exit codes: 0 there is at least one input; 1 there is none; 3 the audio library is missing or
does not answer."""

EXAMPLE = "prehowl devices --format json"

NOTHING_HERE = (
    "no audio input here. Plug in the interface and power it, start the audio server if you use "
    "one (JACK: as this same user), and see that this user may use audio (group `audio`); "
    "then try again"
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument(
        "--format", choices=("table", "json"), default="table", help="default: table"
    )


def run(args: argparse.Namespace) -> int:
    """List the devices that have inputs."""
    rows = [row for row in list_devices() if row.input_channels > 0]
    if args.format == "json":
        print(json.dumps({"devices": [asdict(row) for row in rows]}, ensure_ascii=False, indent=1))
    elif rows:
        print("\n".join(table(rows)))
    if rows:
        return OK
    print(f"prehowl: {NOTHING_HERE}", file=sys.stderr)
    return FOUND_A_PROBLEM


def table(rows: Sequence[DeviceRow]) -> list[str]:
    """Return a heading and one line a device; names are never cut, they are what one types."""
    width = max(len("name"), *(len(row.name) for row in rows))
    lines = [f"  {'no':>3}  {'name':<{width}}  {'in':>4}  {'rate':>8}  host API"]
    lines += [
        f"{'*' if row.is_default else ' '} {row.number:>3}  {row.name:<{width}}  "
        f"{row.input_channels:>4}  {row.default_rate_hz:>5} Hz  {row.host_api}"
        for row in rows
    ]
    return lines
