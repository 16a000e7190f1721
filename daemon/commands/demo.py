"""`prehowl demo`: an invented festival on a virtual stage, watched by the real engine."""

import argparse
import json
import math
import sys
from collections.abc import Callable
from dataclasses import replace
from importlib.metadata import version
from typing import TextIO

from prehowl.daemon.command_line import real_number, whole_number
from prehowl.daemon.desk.desk import Desk
from prehowl.daemon.desk.running_order import RunningOrder
from prehowl.daemon.errors import OK, SYSTEM_FAILURE, UsageError
from prehowl.daemon.events import RingEvent
from prehowl.daemon.facts import facts_of
from prehowl.daemon.log import Log
from prehowl.daemon.logbook.festival_acts import FestivalActs
from prehowl.daemon.logbook.options import (
    add_logbook_arguments,
    make_logbook,
    with_logbook_arguments,
)
from prehowl.daemon.loop import Pace, StopFlag, run_loop, stop_on_signals
from prehowl.daemon.osc_in.opened import OscInput
from prehowl.daemon.show import Show, load_show
from prehowl.daemon.show.in_force import with_osc_in, with_targets
from prehowl.daemon.show.tables import THEMES, Channel, Kind, Stage
from prehowl.daemon.show.wiring import wiring_of
from prehowl.daemon.sinks.base import Sink, Snapshot
from prehowl.daemon.sinks.csv import CsvSink
from prehowl.daemon.sinks.dashboard import Dashboard
from prehowl.daemon.sinks.health_lines import HealthLines
from prehowl.daemon.sinks.jsonl import JsonlSink
from prehowl.daemon.sinks.osc import sink_for
from prehowl.daemon.sinks.table import TableSink
from prehowl.daemon.sinks.words import counted, time_words
from prehowl.daemon.sources.stage import EngineerSink, StageSource
from prehowl.daemon.stage.acts import CHANNELS, MIXES, PLAYBACK, SINGERS
from prehowl.daemon.stage.festival import NAME, Festival
from prehowl.daemon.stage.truth_watch import Crossing
from prehowl.detectors.engine import ChannelSetup, Engine

HELP = """Watch an invented festival on a virtual stage; needs no hardware.

Microphones, wedges and air are simulated as closed loops: what rings, rings by its own loop gain,
nothing is scripted at a frequency. Singers ask for more, a hand closes round a microphone, one is
dropped. The virtual engineer acts on the alarms after a human reaction time: cuts the advised band,
or pulls the send when a howl goes on. Nothing is played to your loudspeakers.

The demo goes on, act after act, until Ctrl-C or --seconds. With --truth each line also tells where
and when the loop itself passed its limit, to compare. The same --seed gives the same festival.
The story goes to stderr, events to stdout.

exit codes: 0 stopped by a person or at the end of --seconds; 2 wrong options; 3 the lines, or
anything that belongs in the logbook, cannot be written."""

EXAMPLE = "prehowl demo --seconds 60 --pace fast --headless --format jsonl --seed 7"

RATE_HZ = 48000
PRINT_SINKS: dict[str, Callable[[TextIO], Sink]] = {
    "table": TableSink,
    "jsonl": JsonlSink,
    "csv": CsvSink,
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument(
        "--show", metavar="SHOWFILE", help="receivers, mappings, acts and OSC in of a show file"
    )
    parser.add_argument(
        "--seconds", metavar="N", type=real_number, help="end after so long on stage"
    )
    parser.add_argument(
        "--seed", metavar="N", type=whole_number, default=7, help="another day; default 7"
    )
    parser.add_argument(
        "--pace",
        choices=("real", "fast"),
        help="default: real on a terminal, fast into a pipe or file with --seconds",
    )
    parser.add_argument("--headless", action="store_true", help="no dashboard, a line an event")
    parser.add_argument(
        "--format", choices=tuple(PRINT_SINKS), help="of the lines; default table; no dashboard"
    )
    parser.add_argument(
        "--osc", metavar="HOST:PORT", action="append", default=[], help="an OSC receiver"
    )
    parser.add_argument(
        "--osc-in", metavar="[HOST:]PORT", help="let OSC ask for things here; default off"
    )
    parser.add_argument("--theme", choices=THEMES, help="of the dashboard")
    add_logbook_arguments(parser)
    parser.add_argument("--truth", action="store_true", help="tell when the loop passes its limit")


def run(args: argparse.Namespace) -> int:
    """Play and watch until the end, a signal or a key."""
    _refuse_the_impossible(args)
    told = _show() if args.show is None else load_show(args.show)
    show = with_osc_in(with_targets(told, args.osc), args.osc_in)
    show = with_logbook_arguments(show, args)
    is_headless = args.headless or args.format is not None or not Dashboard.is_possible()
    festival = Festival(RATE_HZ, args.seed, with_truth=args.truth)
    source = StageSource(festival, args.seconds)
    osc = sink_for(show, version=version("prehowl"))
    setups = [ChannelSetup(is_reference=name == PLAYBACK) for name in CHANNELS]
    numbers = tuple(range(1, len(CHANNELS) + 1))
    with stop_on_signals() as stop, OscInput(show.osc_in).listening() as asked:
        order = RunningOrder(show.acts, follows_clock=show.order.follow_clock)
        desk = Desk(CHANNELS, numbers, order=order, sources=(asked,))
        sinks: list[Sink] = [osc, EngineerSink(festival)]
        title = show.stage.title or f"{NAME} (demo)"
        sinks += asked.subscribers(title=title, numbers=numbers, names=CHANNELS)
        if is_headless:
            # In front, so that it closes last, when what became of the receivers is known.
            trouble = HealthLines(Log(), osc.target_health)
            sinks = [trouble, *sinks, *_printers(args, festival)]
        else:
            sinks.append(_dashboard(args.theme or show.screen.theme, stop, desk))
        logbook = make_logbook(
            show,
            command="demo",
            source=f"virtual stage, seed {args.seed}",
            rate_hz=RATE_HZ,
            numbers=numbers,
            names=CHANNELS,
            may_wait=_pace(args) == "fast",
        )
        if logbook is not None:
            sinks += [FestivalActs(festival, logbook), logbook]
        result = run_loop(
            source,
            Engine(RATE_HZ, setups),
            sinks,
            names=CHANNELS,
            stop=stop,
            pace=_pace(args),
            complete_health=lambda health: replace(
                health,
                targets=osc.target_health(),
                osc_in=asked.counts(),
                troubles=facts_of([] if logbook is None else [logbook.trouble()]),
            ),
            desk=desk,
            wiring=wiring_of(_show(), numbers),
        )
    missing = "" if logbook is None else logbook.missing
    if missing:
        _say(missing)
    if is_headless:
        _say(f"played {time_words(result.duration_s)}: {counted(result.alarms, 'alarm')}")
    return SYSTEM_FAILURE if missing else OK


def _show() -> Show:
    """Return what a show file of the invented festival would say."""
    mixes = dict(zip((CHANNELS[ch] for ch in SINGERS), MIXES, strict=True))
    wedges = {name: f"{name.removeprefix('Mix ')} wedge" for name in MIXES}
    channels = tuple(
        Channel(number, name, str(_kind(name)), mix=mixes.get(name), wedge=wedges.get(name))
        for number, name in enumerate(CHANNELS, start=1)
    )
    return Show(stage=Stage(title=NAME), channels=channels)


def _kind(name: str) -> Kind:
    if name == PLAYBACK:
        return Kind.REFERENCE
    return Kind.MIX if name in MIXES else Kind.MIC


def _refuse_the_impossible(args: argparse.Namespace) -> None:
    if args.seconds is not None and not (math.isfinite(args.seconds) and args.seconds > 0):
        raise UsageError(f"--seconds {args.seconds:g}: must be above 0; leave it out for no end")
    if args.seed < 0:
        raise UsageError(f"--seed {args.seed}: must be 0 or above")


def _pace(args: argparse.Namespace) -> Pace:
    if args.pace is not None:
        return "fast" if args.pace == "fast" else "real"
    return "real" if sys.stdout.isatty() or args.seconds is None else "fast"


def _dashboard(theme: str, stop: StopFlag, desk: Desk) -> Dashboard:
    return Dashboard(
        CHANNELS,
        theme=theme,
        title=f"{NAME} (demo)",
        on_quit=stop.set,
        on_command=desk.put,
    )


def _printers(args: argparse.Namespace, festival: Festival) -> list[Sink]:
    """Return story and truth, which print up to an event's time, before the event's own sink."""
    name = args.format or "table"
    printers: list[Sink] = [_Story(festival)]
    if args.truth:
        printers.append(_Truth(festival, _json_words if name == "jsonl" else _plain_words))
    return [*printers, PRINT_SINKS[name](sys.stdout)]


class _Delayed:
    """A sink of lines that have a time: prints those that are due, in the order of time."""

    def __init__(self) -> None:
        self._waiting: list[tuple[float, str]] = []

    def start(self) -> None:
        """Do nothing: lines come with time."""

    def on_event(self, event: RingEvent) -> None:
        """Print what happened up to the event."""
        self._print_until(event.time_s)

    def on_snapshot(self, snapshot: Snapshot) -> None:
        """Print what happened up to now."""
        self._print_until(snapshot.time_s)

    def close(self) -> None:
        """Print the rest."""
        self._print_until(math.inf)

    def _fetch(self) -> list[tuple[float, str]]:
        raise TypeError("a sub-class says where its lines come from")

    def _put(self, line: str) -> None:
        raise TypeError("a sub-class says where its lines go")

    def _print_until(self, time_s: float) -> None:
        self._waiting += self._fetch()
        due = [line for at_s, line in self._waiting if at_s <= time_s]
        self._waiting = [(at_s, line) for at_s, line in self._waiting if at_s > time_s]
        for line in due:
            self._put(line)


class _Story(_Delayed):
    """The festival's story, on stderr."""

    def __init__(self, festival: Festival) -> None:
        super().__init__()
        self._festival = festival

    def _fetch(self) -> list[tuple[float, str]]:
        notes = self._festival.take_notes()
        return [(n.time_s, f"{time_words(n.time_s)} {n.text}") for n in notes]

    def _put(self, line: str) -> None:
        _say(line)


class _Truth(_Delayed):
    """When the loop passes its limit, on stdout among the events."""

    def __init__(self, festival: Festival, words: Callable[[Crossing], str]) -> None:
        super().__init__()
        self._festival, self._words = festival, words

    def _fetch(self) -> list[tuple[float, str]]:
        return [(c.time_s, self._words(c)) for c in self._festival.take_crossings()]

    def _put(self, line: str) -> None:
        print(line, flush=True)


def _json_words(crossing: Crossing) -> str:
    mode = crossing.mode
    record = {
        "type": "truth",
        "time_s": round(crossing.time_s, 3),
        "takes_off": crossing.takes_off,
        "frequency_hz": round(mode.frequency_hz, 2),
        "growth_db_per_s": round(mode.growth_db_per_s, 1),
        "loop_gain_db": round(mode.loop_gain_db, 2),
        "microphone": CHANNELS[mode.mic],
        "mix": CHANNELS[len(CHANNELS) - 5 + mode.mix],
    }
    return json.dumps(record, ensure_ascii=False, allow_nan=False)


def _plain_words(crossing: Crossing) -> str:
    mode = crossing.mode
    what = "takes off" if crossing.takes_off else "is stable"
    return f"truth: {crossing.time_s:.2f} s {CHANNELS[mode.mic]} {mode.frequency_hz:.1f} Hz {what}"


def _say(text: str) -> None:
    print(f"prehowl: {text}", file=sys.stderr, flush=True)
