"""What OSC may say to a ring-out: yes, no, a correction, gain, undo, finish; and what came of it.

The same acts as the keys of the screen. They are looked at in the loop's thread, where the state
does not change under them.
"""

from collections.abc import Callable

from prehowl.daemon.osc_in.verbs import Command, Verb
from prehowl.daemon.ringout import acts
from prehowl.daemon.ringout.hearing import Deaf
from prehowl.daemon.ringout.state import Phase, State
from prehowl.daemon.sinks.ringout.wording import db_words, pulls_words
from prehowl.daemon.sinks.words import band_words
from prehowl.detectors.bands import NOMINAL_HZ, nominal_hz

Answer = tuple[acts.PersonAct | None, str]
"""What to do, None for nothing, and what came of it, for a person."""
BUSY = "too many answers wait; say it again in a second"
UNHEARD = "nothing is being heard, so nothing is asked: answer when the input is back"
UNHIDDEN = frozenset({Verb.RINGOUT_GAIN, Verb.RINGOUT_FINISH})
"""What may be said while instructions are hidden: it is no answer to one."""


class RingoutAnswers:
    """Turns commands into acts of one ring-out.

    Parameters
    ----------
    state : callable
        Returns what is known now.
    submit : callable
        Takes an act at once; returns whether it was taken.
    deaf : callable
        Returns why nothing is heard, None where it is.
    """

    def __init__(
        self,
        state: Callable[[], State],
        submit: Callable[[acts.PersonAct], bool],
        deaf: Callable[[], Deaf | None] = lambda: None,
    ) -> None:
        self._state, self._submit, self._deaf = state, submit, deaf

    def obey(self, command: Command) -> tuple[bool, str]:
        """Carry out one ring-out verb; tell whether it was done, and what came of it."""
        act, text = answer(command, self._state(), self._deaf())
        if act is None:
            return False, text
        return (True, text) if self._submit(act) else (False, BUSY)


def answer(command: Command, state: State, deaf: Deaf | None = None) -> Answer:
    """Return what a command means at this moment.

    Parameters
    ----------
    command : Command
        With one of the ring-out's verbs.
    state : State
        What is known now.
    deaf : Deaf, optional
        Why nothing is heard. An answer to an instruction that neither screen nor label shows
        would count unread.
    """
    if state.phase is Phase.FINISHED:
        return None, "the ring-out is finished"
    if deaf is not None and deaf.hides_instructions and command.verb not in UNHIDDEN:
        return None, UNHEARD
    if command.verb is Verb.RINGOUT_CONFIRM:
        return _confirm(state)
    if command.verb is Verb.RINGOUT_CORRECT:
        return _correct(command, state)
    if command.verb is Verb.RINGOUT_GAIN:
        return _gain(command)
    return _plain(command.verb, state)


def _plain(verb: Verb, state: State) -> Answer:
    """Return what a button means that needs no figures."""
    if verb is Verb.RINGOUT_SKIP:
        if state.phase is Phase.PULL:
            return acts.Skip(0.0), f"{pulls_words(state.pulls)} left alone"
        return None, "nothing is to be pulled now"
    if verb is Verb.RINGOUT_UNDO:
        if state.can_undo:
            return acts.Undo(0.0), "the last cut is taken back: put the fader back"
        return None, "there is no cut to take back"
    return acts.Finish(0.0), "the ring-out is finished"


def _gain(command: Command) -> Answer:
    if not command.by_db:
        return None, "no change of gain was named"
    return acts.Raised(0.0, round(command.by_db, 2)), f"gain {command.by_db:+.1f} dB noted"


def _confirm(state: State) -> Answer:
    """Return what a plain yes means: pulled as told, or on all the same."""
    if state.phase is Phase.PULL:
        return acts.Made(0.0), f"{pulls_words(state.pulls)} counted as pulled"
    if state.phase is Phase.ADVISED:
        return acts.GoOn(0.0), "going on all the same"
    return None, "nothing is to be pulled now"


def _correct(command: Command, state: State) -> Answer:
    """Return the correction of one fader; where two were to be pulled, the other one as told."""
    if command.band_hz is None or command.cut_db is None:
        return None, "a correction needs a band and a cut"
    band_hz = nominal_hz(command.band_hz)
    told_db = {pull.band_hz: pull.to_db for pull in state.pulls}
    faders = told_db if band_hz in told_db else {}
    faders[band_hz] = round(command.cut_db, 2)
    told = ", ".join(f"{band_words(band)} {db_words(cut)}" for band, cut in sorted(faders.items()))
    if all(state.cuts_db[NOMINAL_HZ.index(band)] == cut for band, cut in faders.items()):
        return acts.Corrected(0.0, tuple(sorted(faders.items()))), f"left as it is: {told}"
    return acts.Corrected(0.0, tuple(sorted(faders.items()))), f"counted as pulled: {told}"
