"""`prehowl bench`: measure detection quality and load, on sound that anyone can have."""

import argparse
from typing import Any

from prehowl.daemon.command_line import CommandParser, real_number, whole_number
from prehowl.daemon.commands import bench_runs

HELP = """Measure how well howls are found, and what it costs.

`prehowl bench detection` runs closed-loop howls with truth by physics, and howl-free sound;
`prehowl bench peers` runs the criteria of the literature over the same; `prehowl bench protocol`
repeats two published evaluations; `prehowl bench ringout` rings out virtual stages;
`prehowl bench alerts` plays the worked example of one howl on many channels;
`prehowl bench load` tells what the engine costs on this machine;
`prehowl bench latency` times events until they leave; `prehowl bench soak` runs a long show.
Each has a --help of its own."""

EXAMPLE = "prehowl bench load --channels 32 --rate 48000"

DETECTION_HELP = """Find howls whose truth is known from physics; stay silent on howl-free sound.

Prints recall before the takeover (the ring as loud as the programme), lead, frequency error, wrong
and false alarms, and whether the advised cuts stop the howls, each with its confidence interval.
Sound comes from Debian packages (.ci/apt-packages) and from seeded makers; docs/bench.md says how.
Closed-loop cases need speech and music of those packages; --cases 0 does without.

The split `final` is only for reporting; tune on `tune`, compare on `check`."""

DETECTION_EXAMPLE = "prehowl bench detection --split tune --cases 24 --minutes 6"

PEERS_HELP = """Compare the engine with the detection criteria of the literature.

All see the same closed-loop howls and the same howl-free sound, and are counted by one rule. Prints
recall against false alarms an hour as each one's threshold is swept, the engine's sensitivity
too."""

PEERS_EXAMPLE = "prehowl bench peers --split check --cases 40 --minutes 10 --plots curves"

PROTOCOL_HELP = """Repeat two published evaluations of howling detection on our own sound and rooms.

The first holds a loop at its limit and prints F1 over frames and bins, for published features and
for the engine; the second counts alarms that come before the loop passes its limit."""

PROTOCOL_EXAMPLE = "prehowl bench protocol --split check --files 12"

RINGOUT_HELP = """Let the automatic hand ring out virtual stages, and hold it to the loop's truth.

Prints the gain before feedback won, what an optimiser that knows the loop would win, the loss on
pink noise, and whether what was told was true and in order. docs/ringout.md says how."""

RINGOUT_EXAMPLE = "prehowl bench ringout --stages 8"

ALERTS_HELP = """Play the worked example of docs/one-alert.md on a small stage, and watch it twice.

A playback brings music that one microphone cannot tell from a howl; then a send to the wedge goes
over its limit. Watched with the playback as a reference channel, and without it: how many rings and
alerts there are, and what the howl's one alert names. Takes some ten seconds.

With --tolerance: how far apart several channels tell one and the same rising tone instead."""

ALERTS_EXAMPLE = "prehowl bench alerts --keep example"

LATENCY_HELP = """Time every event from the block that holds its last sample to its datagram.

Runs in real time, so it takes --seconds. What the analysis frames themselves take comes on top."""

LATENCY_EXAMPLE = "prehowl bench latency --channels 64 --seconds 30"

SOAK_HELP = """Run hours of stream at full speed: memory, open files, events against a scan.

Exit code 1 where something grows or is lost."""

SOAK_EXAMPLE = "prehowl bench soak --channels 32 --hours 12"

LOAD_HELP = """Tell the CPU seconds for a second of audio, and the bare windowed FFT's beside it.

Close other programs first: what else runs is measured with it."""


def add_arguments(parser: CommandParser) -> None:
    """Declare the benches and their options."""
    names = "detection|peers|protocol|ringout|alerts|load|latency|soak"
    parser.usage = f"{parser.prog} [-h] [--debug] BENCH ..."  # all the names are wider than 72
    benches = parser.add_subparsers(dest="bench", required=True, metavar=names, prog=parser.prog)
    detection = benches.add_parser(
        "detection",
        help="recall, lead, errors, false alarms",
        text=DETECTION_HELP,
        example=DETECTION_EXAMPLE,
    )
    _add_run(detection)
    detection.add_argument(
        "--dump", metavar="DIR", help="write every case, its truth and its events there"
    )
    detection.add_argument(
        "--without",
        nargs="+",
        default=[],
        metavar="FRAMES",
        choices=("long", "brief", "short"),
        help="let the engine do without long, brief, short ones, as under overload",
    )
    detection.add_argument(
        "--sensitivity",
        type=real_number,
        default=1.0,
        metavar="NUMBER",
        help="of all channels; 2: twice as many false alarms; default 1",
    )
    detection.add_argument(
        "--rang-before",
        action="store_true",
        help="tell the engine where each case rang before, and howl-free sound anywhere",
    )
    detection.add_argument("--plots", metavar="DIR", help="draw lead and recall there (PNG)")
    _add_format(detection)
    peers = benches.add_parser(
        "peers",
        help="the criteria of the literature on the same bench",
        text=PEERS_HELP,
        example=PEERS_EXAMPLE,
    )
    _add_run(peers)
    peers.add_argument("--plots", metavar="DIR", help="draw the curves there (PNG)")
    _add_format(peers)
    protocol = benches.add_parser(
        "protocol",
        help="two published evaluations repeated",
        text=PROTOCOL_HELP,
        example=PROTOCOL_EXAMPLE,
    )
    _add_draw(protocol)
    protocol.add_argument(
        "--files", type=whole_number, default=12, help="loops of speech and of music; default 12"
    )
    protocol.add_argument(
        "--over", type=real_number, default=0.0, metavar="DB", help="held so far over the limit"
    )
    _add_format(protocol)
    ringout = benches.add_parser(
        "ringout", help="ring-outs on virtual stages", text=RINGOUT_HELP, example=RINGOUT_EXAMPLE
    )
    ringout.add_argument(
        "--stages", type=whole_number, default=24, help="virtual stages; default 24"
    )
    ringout.add_argument(
        "--seed", type=whole_number, default=100_000, help="of the first one; default 100000"
    )
    ringout.add_argument("--jobs", type=whole_number, default=2, help="processes; default 2")
    ringout.add_argument("--dump", metavar="FILE", help="add one JSON object a stage to it")
    _add_format(ringout)
    _add_alerts(benches)
    load = benches.add_parser(
        "load", help="CPU cost of the engine", text=LOAD_HELP, example=EXAMPLE
    )
    _add_load(load, channels=32)
    load.add_argument("--seconds", type=real_number, default=15.0, help="of audio; default 15")
    load.add_argument(
        "--steps",
        metavar="N",
        type=whole_number,
        help="also with less and less done, as under overload; N channels are references",
    )
    _add_format(load)
    _add_latency(benches)
    _add_soak(benches)


def _add_alerts(benches: Any) -> None:
    alerts = benches.add_parser(
        "alerts",
        help="one howl on many channels, and a reference",
        text=ALERTS_HELP,
        example=ALERTS_EXAMPLE,
    )
    alerts.add_argument("--seed", type=whole_number, default=1, help="another stage; default 1")
    alerts.add_argument(
        "--keep", metavar="DIR", help="leave the recording and its show file there, to scan"
    )
    alerts.add_argument(
        "--tolerance", action="store_true", help="what the channels of one howl differ by"
    )
    _add_format(alerts)


def _add_latency(benches: Any) -> None:
    latency = benches.add_parser(
        "latency",
        help="from the last sample to the datagram",
        text=LATENCY_HELP,
        example=LATENCY_EXAMPLE,
    )
    _add_load(latency, channels=64)
    latency.add_argument("--seconds", type=real_number, default=30.0, help="default 30")
    _add_format(latency)


def _add_soak(benches: Any) -> None:
    soak = benches.add_parser(
        "soak",
        help="a long show at full speed: memory, files, events",
        text=SOAK_HELP,
        example=SOAK_EXAMPLE,
    )
    _add_load(soak, channels=32)
    soak.add_argument("--hours", type=real_number, default=0.5, help="of stream; default 0.5")
    _add_format(soak)


def _add_load(parser: argparse.ArgumentParser, *, channels: int) -> None:
    """Declare how much there is to do."""
    parser.add_argument(
        "--channels", type=whole_number, default=channels, help=f"default {channels}"
    )
    parser.add_argument(
        "--rate", type=whole_number, default=48000, metavar="HZ", help="default 48000"
    )
    parser.add_argument("--seed", type=whole_number, default=1, help="another programme")


def _add_run(parser: argparse.ArgumentParser) -> None:
    """Declare what a run over cases and howl-free sound takes."""
    _add_draw(parser)
    parser.add_argument(
        "--cases", type=whole_number, default=80, help="closed-loop cases; default 80"
    )
    parser.add_argument(
        "--minutes",
        type=real_number,
        default=20.0,
        help="howl-free ones, 0 for none; default 20",
    )
    parser.add_argument(
        "--families",
        nargs="+",
        default=[],
        metavar="NAME",
        help="only these howl-free families or groups",
    )


def _add_draw(parser: argparse.ArgumentParser) -> None:
    """Declare from where a run draws, and on how many cores it works."""
    parser.add_argument(
        "--split", choices=("tune", "check", "final"), default="check", help="default: check"
    )
    parser.add_argument("--seed", type=whole_number, default=1, help="another seed, other cases")
    parser.add_argument("--jobs", type=whole_number, default=2, help="processes; default 2")


def _add_format(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--format", choices=("table", "json"), default="table", help="default: table"
    )
    # Accepted after the bench's name too, as `--debug` stands last in most commands.
    parser.add_argument("--debug", action="store_true", help=argparse.SUPPRESS)


def run(args: argparse.Namespace) -> int:
    """Run one of the benches."""
    return bench_runs.RUNS[args.bench](args)
