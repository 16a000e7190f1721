"""`prehowl ringout`: from the first squeal to the kept sheet, on one channel."""

import argparse
import json
import secrets
import shutil
import sys
from dataclasses import asdict, replace
from datetime import datetime
from pathlib import Path

from prehowl.daemon.errors import OK, ShowFileError, UsageError
from prehowl.daemon.loop import Pace, stop_on_signals
from prehowl.daemon.ringout.acts import Kept
from prehowl.daemon.ringout.arguments import add_arguments, refuse_contradictions
from prehowl.daemon.ringout.ending import keep_sheet
from prehowl.daemon.ringout.job import Job, Outcome, run_job
from prehowl.daemon.ringout.journal import EntryLog, Journal, Recalled, Unwritten, recall
from prehowl.daemon.ringout.keep import (
    has_names,
    new_journal_path,
    newest_unfinished,
    sheet_of,
)
from prehowl.daemon.ringout.origins import Origin, open_origin, origin_of_record
from prehowl.daemon.ringout.planned import plan_of
from prehowl.daemon.ringout.session import begin, fold
from prehowl.daemon.ringout.state import Phase, State
from prehowl.daemon.ringout.summary import lines_of_state, lines_of_truth, record_of_state
from prehowl.daemon.sheets.in_show import folder_of
from prehowl.daemon.sheets.store import Store
from prehowl.daemon.show import Show, default_show, load_show
from prehowl.daemon.show.in_force import with_command_line, with_osc_in, with_targets
from prehowl.daemon.sinks.ringout import cautions
from prehowl.daemon.sinks.ringout.screen import RingoutScreen

HELP = """Ring out one wedge with one microphone, and keep the sheet.

It waits for a ring, holds its frequency, says which fader of the mix' graphic equaliser to pull and
by how much, sees the ring clear, counts the cut and asks for a little more gain; at the end it
says how far to pull the send back and keeps the sheet under --monitor, --mic and --mix. Every step
is on the disk before it is on the screen: --resume goes on after a crash.

--virtual practises on a simulated stage, another one every time; --auto lets it play by itself.
--verify goes through the bands of a kept sheet and says what still holds.

Nobody in front of the wedge, ears protected, limiters in: docs/safety.md. Never on a system for
evacuation or life safety. Local codes and licensed practice come first.

exit codes: 0 done or stopped by a person; 1 --verify found bands that no longer hold, or did
not hear them; 2 wrong options, journal, sheet or recording, or an instruction that nobody
could answer; 3 device or disk."""

__all__ = ["EXAMPLE", "HELP", "add_arguments", "run"]

SPEAKER = "prehowl: "

EXAMPLE = "prehowl ringout --virtual --auto --seed 7 --format json"


def run(args: argparse.Namespace) -> int:
    """Ring out until it is finished or left."""
    refuse_contradictions(args)
    if args.resume is not None:
        return _resumed(args)
    show = _show(args, args.show)
    store = _store(args, show)
    if args.verify is not None:
        from prehowl.daemon.ringout.verify import verify

        return verify(args, show, store, _origin(args, show))
    return _begun(args, show, store)


def _begun(args: argparse.Namespace, show: Show, store: Store) -> int:
    origin = _origin(args, show)
    plan = plan_of(args, show, store, origin.channel)
    if not args.virtual and not has_names(plan):
        raise UsageError("name --mix, --monitor and --mic: the sheet is kept under them")
    _check_sheet(begin(plan), store)
    if not _may_begin(args, show, origin):
        return OK
    opened = open_origin(origin)
    if plan.temperature_c is None:
        plan = replace(plan, temperature_c=opened.temperature_c)
    if opened.told:
        _say(opened.told)
    log: EntryLog = Unwritten()
    if not args.auto or args.journal:
        path = Path(args.journal) if args.journal else new_journal_path(datetime.now())
        show_path = "" if args.show is None else str(Path(args.show).absolute())
        folder = str(store.folder.absolute())
        log = Journal.begin(path, plan, asdict(origin), folder=folder, show=show_path)
        _say(f"journal: {path}")
    return _conducted(
        args, Job(origin, opened, show, begin(plan), log, store, *_ways(args, origin))
    )


def _resumed(args: argparse.Namespace) -> int:
    path = Path(args.resume) if args.resume else newest_unfinished()
    recalled = recall(path)
    if recalled.is_finished:
        raise UsageError(f"{path}: this ring-out is finished; begin a new one")
    origin = origin_of_record(recalled.origin)
    show = _show_of_before(args, recalled)
    store = _store_of_before(args, show, recalled.folder)
    state = fold(recalled.plan, recalled.entries)
    _check_sheet(state, store)
    if state.phase is Phase.FINISHED:
        return _kept_late(args, path, recalled, state, store)
    if not _may_begin(args, show, origin):
        return OK
    opened = open_origin(origin, state.time_s)
    log = Journal.resume(path, recalled)
    _say(f"resumed {path}: {len(state.found)} rings so far")
    return _conducted(args, Job(origin, opened, show, state, log, store, *_ways(args, origin)))


def _kept_late(
    args: argparse.Namespace, path: Path, recalled: Recalled, state: State, store: Store
) -> int:
    """Keep the sheet of a ring-out that is finished but for that: its rig may be gone by now."""
    log = Journal.resume(path, recalled)
    try:
        keep_sheet(state, store, _say)
        log.append(Kept(state.time_s))
    finally:
        log.close()
    _tell(args, origin_of_record(recalled.origin), Outcome(state, None))
    return OK


def _check_sheet(state: State, store: Store) -> None:
    """Raise now, not after an hour's work, if the sheet could not be kept there.

    Raises
    ------
    SheetError
        If its names are in the way.
    OutputError
        If the folder takes no writing.
    """
    if has_names(state.plan):
        store.check(sheet_of(state, datetime.now().astimezone().isoformat()))
        store.check_folder()


def _ways(args: argparse.Namespace, origin: Origin) -> tuple[bool, bool, Pace, bool]:
    """Return whether it plays by itself, has a screen, its pace, and whether it ends itself."""
    has_screen = not args.headless and args.format == "text" and RingoutScreen.is_possible()
    is_for_a_person = has_screen or (origin.kind == "virtual" and not args.auto)
    told = args.pace or ("real" if is_for_a_person else "fast")
    pace: Pace = "real" if told == "real" and not origin.is_live else "fast"
    return args.auto, has_screen, pace, origin.kind == "recording"


def _conducted(args: argparse.Namespace, job: Job) -> int:
    try:
        with stop_on_signals() as stop:
            outcome = run_job(job, stop)
    finally:
        job.opened.source.close()
        if isinstance(job.log, Journal):
            job.log.close()
    _tell(args, job.origin, outcome, job.resumed_by)
    if job.has_screen:  # which has taken with it what it said, or was never seen
        for line in outcome.said:
            _say(line)
    if outcome.fault is not None:
        raise outcome.fault
    return OK


def _tell(args: argparse.Namespace, origin: Origin, outcome: Outcome, resumed_by: str = "") -> None:
    state, truth = outcome.state, outcome.truth
    if args.format == "json":
        record = record_of_state(state)
        if origin.kind == "virtual":
            record |= {"seed": origin.seed, "truth": truth}
        print(json.dumps(record, ensure_ascii=False, allow_nan=False))
        return
    if state.phase is not Phase.FINISHED:
        if resumed_by:
            _say(f"not finished, nothing is lost: {resumed_by}")
        return
    print("\n".join(lines_of_state(state) + ([] if truth is None else lines_of_truth(truth))))


def _may_begin(args: argparse.Namespace, show: Show, origin: Origin) -> bool:
    if not origin.is_live and args.format == "text":
        # So that a line breaks between words, not where the terminal ends; who speaks counts, too.
        cells = min(80, shutil.get_terminal_size().columns) - 1 - len(SPEAKER)
        for line in cautions.lines(cells):
            _say(line)
    may = cautions.acknowledged(is_live=origin.is_live, yes=args.yes, theme=show.screen.theme)
    if not may:
        _say("nothing was started")
    return may


def _origin(args: argparse.Namespace, show: Show) -> Origin:
    if args.virtual:
        seed = secrets.randbelow(1_000_000) if args.seed is None else args.seed
        kinds = (args.virtual_wedge, args.virtual_mic, args.virtual_room)
        return Origin("virtual", 1, None, None, None, seed, *kinds)
    if args.recording is not None:
        return Origin("recording", args.channel, recording=str(Path(args.recording).absolute()))
    rate_hz = show.device.rate_hz if "device.rate_hz" in show.origins else None
    return Origin("device", args.channel, show.device.name, rate_hz)


def _store(args: argparse.Namespace, show: Show) -> Store:
    """Return the folder of sheets: the one that is told, else the show file's."""
    return Store(Path(args.folder) if args.folder else folder_of(show))


def _store_of_before(args: argparse.Namespace, show: Show, before: str) -> Store:
    """Return the folder to go on with: what is told now, also by a show file, beats the journal."""
    is_told = args.folder or (args.show is not None and show.sheets.folder)
    store = _store(args, show) if is_told or not before else Store(Path(before))
    if before and store.folder.absolute() != Path(before):
        _say(f"the sheet will be kept in {store.folder}, no longer in {before}")
    return store


def _show_of_before(args: argparse.Namespace, recalled: Recalled) -> Show:
    """Return the show to go on with; a file that is gone must not keep a ring-out from going on."""
    if args.show is not None or not recalled.show:
        return _show(args, args.show)
    try:
        return _show(args, recalled.show)
    except ShowFileError as fault:
        _say(f"{fault}; going on without it, or name another one with --show")
        return _show(args, None)


def _show(args: argparse.Namespace, path: str | None) -> Show:
    show = default_show() if path is None else load_show(path)
    values = {"device.name": args.device, "device.rate_hz": args.rate, "screen.theme": args.theme}
    return with_osc_in(with_targets(with_command_line(show, values), args.osc), args.osc_in)


def _say(text: str) -> None:
    print(f"{SPEAKER}{text}", file=sys.stderr, flush=True)
