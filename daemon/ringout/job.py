"""One ring-out from the first block to the kept sheet: who is wired to whom.

Owns the wiring only. What the command line means is `prehowl.daemon.commands.ringout`.
"""

import shlex
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from importlib.metadata import version
from typing import Any

from prehowl.daemon.desk.desk import Desk
from prehowl.daemon.desk.ringout_answers import RingoutAnswers
from prehowl.daemon.engine_swap import ReplaceableEngine
from prehowl.daemon.errors import PrehowlError, UsageError
from prehowl.daemon.log import Log
from prehowl.daemon.loop import Pace, StopFlag, run_loop
from prehowl.daemon.osc_in.opened import OscInput
from prehowl.daemon.osc_in.verbs import Verb
from prehowl.daemon.ringout.conductor import Conductor
from prehowl.daemon.ringout.ending import Ending
from prehowl.daemon.ringout.floor_tap import FloorTap
from prehowl.daemon.ringout.hand import AutoHand
from prehowl.daemon.ringout.hearing import Hearing
from prehowl.daemon.ringout.journal import EntryLog, Journal
from prehowl.daemon.ringout.keep import journal_folder
from prehowl.daemon.ringout.lines import Lines
from prehowl.daemon.ringout.origins import Opened, Origin, engine_of
from prehowl.daemon.ringout.state import Phase, State
from prehowl.daemon.ringout.truth_told import TruthKeeper, truth_record
from prehowl.daemon.ringout.unanswered import Unanswered
from prehowl.daemon.ringout.virtual_source import VirtualDesk
from prehowl.daemon.sheets.store import Store
from prehowl.daemon.show import Show
from prehowl.daemon.sinks.base import Sink
from prehowl.daemon.sinks.health_lines import HealthLines
from prehowl.daemon.sinks.osc import OscSink
from prehowl.daemon.sinks.osc_ringout import RingoutLabels
from prehowl.daemon.sinks.ringout.screen import RingoutScreen
from prehowl.detectors.engine import Engine

ANSWERS = frozenset({Verb.RINGOUT_CONFIRM, Verb.RINGOUT_CORRECT, Verb.RINGOUT_SKIP})
"""What OSC can say of an instruction."""


@dataclass(frozen=True, slots=True)
class Job:
    """What one run of the command is to do."""

    origin: Origin
    opened: Opened
    show: Show
    state: State  # begun, or folded from a journal
    log: EntryLog
    store: Store
    is_auto: bool
    has_screen: bool
    pace: Pace
    ends_itself: bool  # a recording: what is known at its end is the result

    @property
    def can_be_answered(self) -> bool:
        """Tell whether anybody can say what became of an instruction; a recording needs nobody."""
        osc_in = self.show.osc_in
        has_osc = osc_in.port is not None and not ANSWERS.isdisjoint(osc_in.verbs)
        return self.has_screen or has_osc or self.ends_itself

    @property
    def resumed_by(self) -> str:
        """The command that goes on with it; "" where there is no journal."""
        if not isinstance(self.log, Journal):
            return ""
        return shlex.join(["prehowl", "ringout", "--resume", str(self.log.path)])

    @property
    def resumed_shortly(self) -> str:
        """The same without the path where it is found without: the one that was written last."""
        if isinstance(self.log, Journal):
            folder = self.log.path.absolute().parent
            if folder == journal_folder().absolute():
                return "prehowl ringout --resume"
        return self.resumed_by


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one run came to."""

    state: State  # the last one
    truth: dict[str, Any] | None  # on a virtual stage, `truth_record` of a finished ring-out
    fault: PrehowlError | None = None  # why there is no sheet of a finished ring-out
    said: tuple[str, ...] = ()  # where the sheet is


def run_job(job: Job, stop: StopFlag) -> Outcome:
    """Run until it is finished, the source ends or somebody stops it.

    Raises
    ------
    UsageError
        If it ended because an instruction stood that nobody could answer.
    """
    tap = FloorTap(job.opened.source, 0, minds_silence=not job.ends_itself)
    number = job.origin.channel if job.opened.virtual is None else 1
    engine = ReplaceableEngine(_engine(job, number))

    def at_rate(rate_hz: int) -> None:
        # A device may come back at another rate; an engine of the old one would name other bands.
        engine.restart(_engine(job, number))
        tap.at_rate(rate_hz)

    conductor = Conductor(
        job.state,
        job.log,
        channel=number,
        floor=tap,
        finishes_at_end=job.ends_itself,
        is_stopping=stop.is_set,
        moment=_unknown if job.ends_itself else _now,
    )
    name = job.show.names(number)[number - 1]
    osc = OscSink(job.show.osc, version=version("prehowl"), channels=(number,))
    sinks: list[Sink] = [osc, conductor]
    say: Callable[[str], object] = _say
    complain: Callable[[str], object] = _leave_unsaid
    hearing = Hearing(0)
    if job.has_screen:
        screen = _screen(job, conductor, stop)
        conductor.add(screen)
        sinks.append(screen)
        hearing.add(screen.on_hearing)
        say, complain = screen.note, screen.note_trouble
    else:
        began_s = job.state.time_s
        lines = Lines(sys.stderr)
        conductor.add(lines)
        hearing.add(lambda deaf: lines.on_hearing(deaf, began_s + hearing.time_s))
        sinks.append(HealthLines(Log(sys.stderr), began_s=began_s))
    keeper = _virtual_watchers(job, conductor, sinks)
    unanswered = _unanswered(job, conductor, sinks, stop)
    labels = RingoutLabels(osc)
    conductor.add(labels)
    hearing.add(labels.on_hearing)
    sinks.append(hearing)
    end = None if job.has_screen else _end_of(job, stop)
    ending = Ending(
        job.log,
        job.store,
        job.resumed_by,
        resumed_shortly=job.resumed_shortly,
        end=end,
        say=say,
        complain=complain,
    )
    conductor.add(ending)
    with OscInput(job.show.osc_in).listening() as asked:
        answers = RingoutAnswers(lambda: conductor.state, conductor.submit, lambda: hearing.deaf)
        desk = Desk((name,), (number,), sources=(asked,), ringout=answers.obey)
        run_loop(
            tap,
            engine,
            sinks,
            names=(name,),
            channel_numbers=(number,),
            stop=stop,
            pace=job.pace,
            complete_health=lambda health: replace(
                health, targets=osc.target_health(), osc_in=asked.counts()
            ),
            warn=_say,
            desk=desk,
            on_rate=at_rate,
        )
    if unanswered is not None and unanswered.is_over:
        raise UsageError(
            "not finished, nothing is lost: an instruction stands since an interruption, and "
            f"nobody can answer here. With --osc-in, or where a screen can be: {job.resumed_by}"
        )
    state, virtual, truth = conductor.state, job.opened.virtual, None
    if keeper is not None and virtual is not None and state.phase is Phase.FINISHED:
        truth = truth_record(virtual, state, keeper)
    return Outcome(state, truth, ending.fault, ending.said)


def _end_of(job: Job, stop: StopFlag) -> Callable[[], object]:
    """Return how a finished ring-out ends: a virtual stage by itself, the rest by the flag."""
    return stop.set if job.opened.virtual is None else job.opened.virtual.end


def _unanswered(
    job: Job, conductor: Conductor, sinks: list[Sink], stop: StopFlag
) -> Unanswered | None:
    if job.can_be_answered:
        return None
    unanswered = Unanswered(stop.set, _say)
    conductor.add(unanswered)
    sinks.append(unanswered)
    return unanswered


def _virtual_watchers(job: Job, conductor: Conductor, sinks: list[Sink]) -> TruthKeeper | None:
    if job.opened.virtual is None:
        return None
    keeper = TruthKeeper(job.opened.virtual)
    conductor.add(keeper)  # before the desk moves: it looks at what was true when it rang
    conductor.add(VirtualDesk(job.opened.virtual))
    if job.is_auto:
        hand = AutoHand(conductor.submit)
        conductor.add(hand)
        sinks.append(hand)
    return keeper


def _screen(job: Job, conductor: Conductor, stop: StopFlag) -> RingoutScreen:
    plan = job.state.plan
    named = " / ".join(filter(None, (plan.mix, plan.monitor, plan.microphone)))
    return RingoutScreen(
        conductor.submit,
        title=named or job.opened.title,
        theme=job.show.screen.theme,
        on_quit=stop.set,
    )


def _engine(job: Job, number: int) -> Engine:
    setup = job.show.setups(number)[number - 1]
    return engine_of(job.opened, replace(setup, fader_step_db=job.state.plan.step_db))


def _now() -> str:
    return datetime.now().astimezone().isoformat(timespec="seconds")


def _unknown() -> str:
    return ""


def _leave_unsaid(_text: str) -> None:
    """Stand in where there is no screen: the run ends at once, and its last line is the fault."""


def _say(text: str) -> None:
    print(f"prehowl: {text}", file=sys.stderr, flush=True)
