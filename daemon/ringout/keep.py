"""From a finished ring-out to its sheet, and where journals lie."""

from datetime import datetime
from pathlib import Path

from prehowl.daemon.data_folder import data_folder
from prehowl.daemon.ringout.journal import JournalError, recall
from prehowl.daemon.ringout.state import Plan, State
from prehowl.daemon.sheets.sheet import FoundRing, Sheet


def sheet_of(state: State, at: str) -> Sheet:
    """Return the sheet of a ring-out at this moment.

    Parameters
    ----------
    state : State
        Finished or not.
    at : str
        ISO 8601 date and time of its making.
    """
    plan, won = state.plan, state.gain_won
    rings = [
        FoundRing(round(found.frequency_hz, 1), pull.band_hz, pull.by_db, found.at)
        for found in state.found
        for pull in found.pulls
        if pull.by_db > 0
    ]
    return Sheet(
        monitor=plan.monitor,
        mic=plan.microphone,
        mix=plan.mix,
        place=plan.place,
        made_at=at,
        temperature_c=plan.temperature_c,
        eq=str(plan.eq_kind),
        rate_hz=plan.desk_rate_hz,
        fader_step_db=plan.step_db,
        fader_cap_db=plan.cap_db,
        gain_won_db=None if won is None else round(won.db, 1),
        gain_won_uncertainty_db=None
        if won is None or won.plus_minus_db is None
        else round(won.plus_minus_db, 1),
        pull_back_db=plan.send_back_db,
        rings=tuple(rings),
        faders_db=tuple(-cut + 0.0 for cut in state.cuts_db),
    )


def has_names(plan: Plan) -> bool:
    """Tell whether monitor, microphone and mix are named, as a sheet needs."""
    return bool(plan.monitor and plan.microphone and plan.mix)


def journal_folder() -> Path:
    """Return the folder for journals in the user's data folder."""
    return data_folder() / "ringout"


def new_journal_path(now: datetime) -> Path:
    """Return a name for a new journal: the time, to the second, and a number if it is taken."""
    stem = now.strftime("%Y%m%d-%H%M%S")
    for number in range(1, 1000):
        path = journal_folder() / (f"{stem}.jsonl" if number == 1 else f"{stem}-{number}.jsonl")
        if not path.exists():
            return path
    raise JournalError(f"{journal_folder()}: too many journals of this second; try again")


def newest_unfinished() -> Path:
    """Return the journal that was written last, of those that have not come to their end.

    Not by their names: a local time goes back in autumn, and where one flies west.

    Raises
    ------
    JournalError
        If there is none; damaged ones are passed over and named.
    """
    passed_over = []
    for path in sorted(journal_folder().glob("*.jsonl"), key=_written, reverse=True):
        try:
            if not recall(path).is_finished:
                return path
        except JournalError as fault:
            passed_over.append(str(fault))
    hint = f" Passed over: {'; '.join(passed_over)}" if passed_over else ""
    raise JournalError(f"{journal_folder()}: no ring-out to resume there.{hint}")


def _written(path: Path) -> tuple[int, str]:
    """Return when a file was written last, ns, then its name; one that cannot be asked is old."""
    try:
        return path.stat().st_mtime_ns, path.name
    except OSError:
        return 0, path.name
