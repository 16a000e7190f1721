"""The parts of one watch, put together: engine, sinks, logbook, services."""

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from importlib.metadata import version

from prehowl.daemon.desk.desk import Desk
from prehowl.daemon.desk.running_order import RunningOrder
from prehowl.daemon.engine_swap import ReplaceableEngine
from prehowl.daemon.errors import UsageError
from prehowl.daemon.input_watch import InputWatch
from prehowl.daemon.log import Log
from prehowl.daemon.logbook.options import make_logbook
from prehowl.daemon.logbook.sink import LogbookSink
from prehowl.daemon.loop import LoopResult, Pace, StopFlag, run_loop
from prehowl.daemon.osc_in.opened import OscInput
from prehowl.daemon.outlets import NOTICES, Outlets
from prehowl.daemon.service.board import About, StatusBoard
from prehowl.daemon.service.metrics import MetricsServer
from prehowl.daemon.service.notify import Notifier, ServiceSink
from prehowl.daemon.service.reload import Reloader, on_hangup
from prehowl.daemon.service.socket import StatusServer, runtime_folders
from prehowl.daemon.show import Show
from prehowl.daemon.show.tables import Kind
from prehowl.daemon.show.wiring import wiring_of
from prehowl.daemon.sinks.base import Sink
from prehowl.daemon.sinks.csv import CsvSink
from prehowl.daemon.sinks.dashboard import Dashboard
from prehowl.daemon.sinks.health_lines import HealthLines
from prehowl.daemon.sinks.jsonl import JsonlSink
from prehowl.daemon.sinks.osc import sink_for
from prehowl.daemon.sinks.table import TableSink
from prehowl.daemon.sinks.words import counted
from prehowl.daemon.sources.base import Source
from prehowl.detectors.engine import ChannelSetup, Engine

HEADLESS_SINKS: dict[str, Callable[..., Sink]] = {
    "table": TableSink,
    "jsonl": JsonlSink,
    "csv": CsvSink,
}


@dataclass(frozen=True, slots=True)
class Watched:
    """The source with what the command knows of it."""

    source: Source
    numbers: tuple[int, ...]  # on the interface or in the file, from 1
    title: str
    pace: Pace
    is_live: bool
    is_headless: bool
    format: str
    metrics_port: int | None
    reload: Callable[[], Show] | None  # reads the show again; None where SIGHUP means the end

    def names(self, show: Show) -> list[str]:
        """Return a name for each channel: the show's, else the source's own."""
        most = max(self.numbers)
        known = [""] * most
        for number, name in zip(self.numbers, self.source.names, strict=True):
            known[number - 1] = name
        names = show.names(most, known)
        return [names[number - 1] for number in self.numbers]

    def setups(self, show: Show) -> list[ChannelSetup]:
        """Return what the engine should know of each channel."""
        setups = show.setups(max(self.numbers))
        return [setups[number - 1] for number in self.numbers]


def run_watch(
    show: Show, watched: Watched, asked: OscInput, stop: StopFlag, log: Log
) -> LoopResult:
    """Run until the source's end or `stop`; say at the end what could not be kept."""
    names = watched.names(show)
    engine = ReplaceableEngine(_engine(watched.source.rate_hz, watched.setups(show)))
    outlets = Outlets(log.warn)
    _add_inputs(outlets, show, watched, names)
    osc = sink_for(show, version=version("prehowl"), channels=watched.numbers)
    outlets.tell_targets(lambda: osc.target_health() + asked.health())
    order = RunningOrder(show.acts, follows_clock=show.order.follow_clock)
    desk = Desk(
        names, watched.numbers, order=order, sources=(asked,), weak_bands=show.act_weak_bands
    )
    if watched.is_headless:
        # Before OSC in the list, and so closed after it: it tells what became of the receivers.
        outlets.add(HealthLines(log, osc.target_health), NOTICES)
    # Before screens draw and printers print: what is queued leaves meanwhile.
    outlets.add(osc, "OSC" if show.osc else NOTICES)
    _add_eyes(outlets, show, watched, desk, stop)
    title = show.stage.title or watched.title
    for attached in asked.subscribers(title=title, numbers=watched.numbers, names=names):
        outlets.add(attached, "attached screens")
    logbook = _add_logbook(outlets, show, watched, names)
    with ExitStack() as stack:
        stack.enter_context(_services(outlets, show, watched, names, log))
        stack.enter_context(_hangups(outlets, show, watched, engine, log))
        result = run_loop(
            watched.source,
            engine,
            outlets.sinks,
            names=names,
            channel_numbers=watched.numbers,
            stop=stop,
            pace=watched.pace,
            complete_health=outlets.completed,
            warn=log.warn,
            desk=desk,
            weak_bands=show.weak_bands,
            wiring=wiring_of(show, watched.numbers),
        )
    if logbook is not None and logbook.unwritten:
        log.warn(f"{logbook.unwritten} entries of the logbook could not be written")
    return result


def _engine(rate_hz: int, setups: Sequence[ChannelSetup]) -> Engine:
    try:
        return Engine(rate_hz, setups)
    except ValueError as fault:
        raise UsageError(
            f"{fault}. The rate is {rate_hz} Hz with {counted(len(setups), 'channel')}"
        ) from None


def _add_inputs(outlets: Outlets, show: Show, watched: Watched, names: Sequence[str]) -> None:
    """Look at the inputs before anything else does: the others then tell what was found."""
    told = {channel.number: Kind(channel.kind) for channel in show.channels}
    kinds = [told.get(number, Kind.MIC) for number in watched.numbers]
    inputs = InputWatch(watched.source.rate_hz, watched.numbers, names, kinds)
    outlets.add(inputs, NOTICES, trouble=inputs.trouble)


def _add_eyes(
    outlets: Outlets,
    show: Show,
    watched: Watched,
    desk: Desk,
    stop: StopFlag,
) -> None:
    """Add what a person looks at."""
    if watched.is_headless:
        outlets.add(HEADLESS_SINKS[watched.format](sys.stdout), "output")
        return
    dashboard = Dashboard(
        desk.names,
        channel_numbers=watched.numbers,
        theme=show.screen.theme,
        title=show.stage.title or watched.title,
        on_quit=stop.set,
        on_command=desk.put,
        weak_bands=show.weak_bands,
    )
    outlets.add(dashboard, "dashboard")


def _add_logbook(
    outlets: Outlets, show: Show, watched: Watched, names: Sequence[str]
) -> LogbookSink | None:
    logbook = make_logbook(
        show,
        command="watch",
        source=watched.title,
        rate_hz=watched.source.rate_hz,
        numbers=watched.numbers,
        names=names,
        may_wait=not watched.is_live and watched.pace == "fast",
    )
    if logbook is not None:
        outlets.add(logbook, "logbook", trouble=logbook.trouble)
    return logbook


@contextmanager
def _services(
    outlets: Outlets, show: Show, watched: Watched, names: Sequence[str], log: Log
) -> Iterator[None]:
    """Answer to a service manager, to `--status` and to who collects metrics."""
    title = show.stage.title or watched.title
    channels = dict(zip(watched.numbers, names, strict=True))
    about = About(version("prehowl"), title, watched.title, watched.source.rate_hz, channels)
    board = StatusBoard(about)
    outlets.add(board, NOTICES)
    outlets.add(ServiceSink(Notifier()), NOTICES)
    status = StatusServer(board.record, runtime_folders()[0])
    hindered = status.start()
    if hindered:
        log.say(hindered)
    with ExitStack() as stack:
        stack.callback(status.close)
        if watched.metrics_port is not None:
            metrics = MetricsServer(watched.metrics_port, board.record)
            stack.callback(metrics.close)
            metrics.start()
        yield


@contextmanager
def _hangups(
    outlets: Outlets,
    show: Show,
    watched: Watched,
    engine: ReplaceableEngine,
    log: Log,
) -> Iterator[None]:
    """Let SIGHUP read the show file again, where there is one to read."""
    if watched.reload is None:
        yield
        return
    read = watched.reload
    in_force = [show]

    def make() -> tuple[Engine | None, str]:
        new = read()
        old, in_force[0] = in_force[0], new
        rest = _left_for_later(old, new)
        setups = watched.setups(new)
        if setups == watched.setups(old):
            return None, f"show file read again: nothing new for the analysis{rest}"
        made = _engine(watched.source.rate_hz, setups)
        return made, f"show file read again: kinds, delays, sensitivity, advice in force{rest}"

    notifier = Notifier()
    reloader = Reloader(
        engine, make, log.say, log.warn, before=notifier.reloading, after=notifier.ready
    )
    outlets.add(reloader, NOTICES)
    with on_hangup(reloader.ask):
        yield


def _left_for_later(old: Show, new: Show) -> str:
    """Return which tables have changed but are only taken at a start."""
    tables = ("stage", "device", "screen", "osc", "logbook")
    changed = [name for name in tables if getattr(old, name) != getattr(new, name)]
    if [channel.label for channel in old.channels] != [channel.label for channel in new.channels]:
        changed.append("channel names")
    numbers = sorted({channel.number for channel in (*old.channels, *new.channels)})
    if wiring_of(old, numbers) != wiring_of(new, numbers):
        changed.append("who belongs to which mix and wedge")
    return f"; at the next start: {', '.join(changed)}" if changed else ""
