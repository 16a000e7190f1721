"""The parts of one watch, put together: engine, sinks, logbook, services."""

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from importlib.metadata import version

from prehowl.daemon.desk.desk import Desk
from prehowl.daemon.desk.running_order import RunningOrder
from prehowl.daemon.engine_swap import ReplaceableEngine
from prehowl.daemon.errors import OK, SYSTEM_FAILURE
from prehowl.daemon.input_watch import InputWatch
from prehowl.daemon.log import Log
from prehowl.daemon.logbook.options import make_logbook
from prehowl.daemon.logbook.records import LIVE, WATCHED_RECORDING
from prehowl.daemon.logbook.sink import LogbookSink
from prehowl.daemon.loop import LoopResult, StopFlag, run_loop
from prehowl.daemon.osc_in.opened import OscInput
from prehowl.daemon.outlets import NOTICES, Outlets
from prehowl.daemon.patient_stream import PatientStream
from prehowl.daemon.service.board import About, StatusBoard
from prehowl.daemon.service.metrics import MetricsServer
from prehowl.daemon.service.notify import Notifier, ServiceSink
from prehowl.daemon.service.reload import Reloader, on_hangup
from prehowl.daemon.service.socket import StatusServer, runtime_folders
from prehowl.daemon.shedding_order import SlowScreen, shedder_for
from prehowl.daemon.show import Show
from prehowl.daemon.show.tables import Kind
from prehowl.daemon.show.wiring import wiring_of
from prehowl.daemon.sinks.base import Sink
from prehowl.daemon.sinks.csv import CsvSink
from prehowl.daemon.sinks.dashboard import Dashboard
from prehowl.daemon.sinks.health_lines import HealthLines
from prehowl.daemon.sinks.jsonl import JsonlSink
from prehowl.daemon.sinks.osc import sink_for
from prehowl.daemon.sinks.spare_lines import SpareLines
from prehowl.daemon.sinks.table import TableSink
from prehowl.daemon.sleep import passed_s
from prehowl.daemon.watch_reload import InForce
from prehowl.daemon.watched import Watched

HEADLESS_SINKS: dict[str, Callable[..., Sink]] = {
    "table": TableSink,
    "jsonl": JsonlSink,
    "csv": CsvSink,
}


def run_watch(
    show: Show, watched: Watched, asked: OscInput, stop: StopFlag, log: Log
) -> tuple[LoopResult, int]:
    """Run until the source's end or `stop`; return what it came to, and an exit code.

    What a logbook lacks is said at the end. Of a recording that is a fault: it can be watched
    again. A live watch has done its work, which is to warn.
    """
    names = watched.names(show)
    engine = ReplaceableEngine(watched.engine(show))
    outlets = Outlets(log.warn)
    inputs = InputWatch(watched.source.rate_hz, watched.numbers, names, watched.kinds(show))
    # Before anything else looks at them: the others then tell what was found.
    outlets.add(inputs, NOTICES)
    outlets.tell_facts(inputs.facts)
    outlets.tell_facts(log.facts)
    osc = sink_for(show, version=version("prehowl"), channels=watched.numbers)
    outlets.tell_targets(osc.target_health)
    outlets.tell_osc_in(asked.counts)
    order = RunningOrder(show.acts, follows_clock=show.order.follow_clock)
    desk = Desk(
        names,
        watched.numbers,
        order=order,
        sources=(asked,),
        # Stream time stands still while a device is away; the festival's day does not, nor while
        # the lid is closed.
        seconds=passed_s if watched.is_live else None,
        weak_bands=show.act_weak_bands,
    )
    if watched.is_headless:
        # Before OSC in the list, and so closed after it: it tells what became of the receivers.
        outlets.add(HealthLines(log, osc.target_health), NOTICES)
    # Before screens draw and printers print: what is queued leaves meanwhile.
    outlets.add(osc, "OSC" if show.osc else NOTICES)
    screens = _add_eyes(outlets, show, watched, desk, stop, log)
    title = show.stage.title or watched.title
    for attached in asked.subscribers(title=title, numbers=watched.numbers, names=names):
        outlets.add(attached, "attached screens")
        screens.append(attached)
    shedder = shedder_for(
        engine,
        screens,
        channels=len(names),
        references=watched.kinds(show).count(Kind.REFERENCE),
    )
    outlets.tell_facts(shedder.facts)
    logbook = _add_logbook(outlets, show, watched, names)
    with ExitStack() as stack:
        board = stack.enter_context(_services(outlets, show, watched, names, log))
        in_force = InForce(show, watched, engine, desk, osc, inputs, board, shedder, bool(screens))
        stack.enter_context(_hangups(outlets, in_force, log))
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
            shedder=shedder if watched.is_live else None,  # a recording can wait
            on_rate=in_force.at_rate,
            wiring=wiring_of(show, watched.numbers),
            clears_while_away=True,
        )
    missing = "" if logbook is None else logbook.missing
    if missing:
        log.warn(missing)
    return result, SYSTEM_FAILURE if missing and not watched.is_live else OK


def _add_eyes(
    outlets: Outlets,
    show: Show,
    watched: Watched,
    desk: Desk,
    stop: StopFlag,
    log: Log,
) -> list[SlowScreen]:
    """Add what a person looks at; return the screens among it."""
    if watched.is_headless:
        printers = HEADLESS_SINKS[watched.format]
        if watched.is_live:
            output = PatientStream(sys.stdout)
            spare = SpareLines(printers(output), log, output)
            outlets.add(spare, "output", trouble=spare.trouble)
        else:
            outlets.add(printers(sys.stdout), "output")  # a recording can wait
        return []
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
    return [dashboard]


def _add_logbook(
    outlets: Outlets, show: Show, watched: Watched, names: Sequence[str]
) -> LogbookSink | None:
    logbook = make_logbook(
        show,
        command=LIVE if watched.is_live else WATCHED_RECORDING,
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
) -> Iterator[StatusBoard]:
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
            outlets.tell_trouble(metrics.trouble)
            metrics.start()
        yield board


@contextmanager
def _hangups(outlets: Outlets, in_force: InForce, log: Log) -> Iterator[None]:
    """Let SIGHUP read the show file again, where there is one to read."""
    read = in_force.watched.reload
    if read is None:
        yield
        return
    notifier = Notifier()
    reloader = Reloader(
        lambda: in_force.changed(read()),
        log.say,
        log.warn,
        before=notifier.reloading,
        after=notifier.ready,
    )
    outlets.add(reloader, NOTICES)
    with on_hangup(reloader.ask, even_if_ignored=True):
        yield
