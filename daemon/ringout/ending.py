"""The end of a ring-out: its sheet kept, or the reason why not, and how to keep it yet."""

from collections.abc import Callable
from datetime import datetime

from prehowl.daemon.errors import OutputError, PrehowlError
from prehowl.daemon.ringout.acts import Entry, Kept
from prehowl.daemon.ringout.journal import EntryLog
from prehowl.daemon.ringout.keep import has_names, sheet_of
from prehowl.daemon.ringout.state import Phase, State
from prehowl.daemon.sheets.store import Store


def keep_sheet(state: State, store: Store, say: Callable[[str], object]) -> None:
    """Keep the sheet of a finished ring-out, if it has names for one, and say where.

    Raises
    ------
    SheetError, OutputError
        As `Store.save`.
    """
    if not has_names(state.plan):
        say("no sheet is kept: name --mix, --monitor and --mic for one")
        return
    at = datetime.now().astimezone().isoformat(timespec="seconds")
    kept = store.save(sheet_of(state, at), "rung out", at)
    say(f"sheet kept: {kept.title}, version {kept.version}, in {store.folder}")


class Ending:
    """A `Watcher` that keeps the sheet when the ring-out is finished, and ends what is to end.

    A sheet that cannot be kept does not take the summary off the screen: how far to pull the send
    back is to be read first. Its journal then has no end, and can be resumed to keep it.

    Parameters
    ----------
    log : EntryLog
        Of the ring-out; takes note that all is kept.
    store : Store
        For the sheet.
    resumed_by, resumed_shortly : str
        The command that goes on with it, and as it is said on the screen; "" where there is none.
    end : callable
        Ends what is to end when it is finished; None where a screen stays until it is left.
    say, complain : callable
        Take a line for the summary, and one of a trouble.
    """

    def __init__(
        self,
        log: EntryLog,
        store: Store,
        resumed_by: str,
        *,
        resumed_shortly: str,
        end: Callable[[], object] | None,
        say: Callable[[str], object],
        complain: Callable[[str], object],
    ) -> None:
        self._log, self._store, self._resumed_by = log, store, resumed_by
        self._resumed_shortly = resumed_shortly
        self._end, self._say, self._complain = end, say, complain
        self._is_done = False
        self.fault: PrehowlError | None = None
        self.said: tuple[str, ...] = ()  # to be told again when the screen is gone

    def on_state(self, state: State, entry: Entry | None) -> None:
        """Act once, at the first finished state; that may be the one that was resumed."""
        if state.phase is not Phase.FINISHED or self._is_done:
            return
        self._is_done = True
        try:
            keep_sheet(state, self._store, self._note)
        except PrehowlError as fault:
            self._tell(fault)
        else:
            self._log.append(Kept(state.time_s))
        if self._end is not None:
            self._end()

    def close(self) -> None:
        """Do nothing."""

    def _note(self, text: str) -> None:
        self.said += (text,)
        self._say(text)

    def _tell(self, fault: PrehowlError) -> None:
        again = self._resumed_by
        self._complain(f"NOT KEPT: {self._in_short(fault)}")
        if self._resumed_shortly:
            self._complain(f"Then: {self._resumed_shortly}")
        whole = f"the sheet is not kept: {fault}{f'. Then: {again}' if again else ''}"
        self.fault = OutputError(whole)

    def _in_short(self, fault: PrehowlError) -> str:
        """Return the reason first: a line of the screen may have no room for the whole folder."""
        cause = fault.__cause__
        if isinstance(cause, OSError) and cause.strerror:
            return f"{cause.strerror}: {self._store.folder}"
        return str(fault)
