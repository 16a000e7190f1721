"""The keys of the ring-out: what each asks for, and which of them to show now.

Minus and the down arrow move a fader down, as the hand does; nothing that ends the ring-out goes by
one press.
"""

from prehowl.daemon.ringout.state import Phase, State
from prehowl.daemon.sinks.ringout.model import FIGURES, View

KEYS = {
    "\r": "confirm", "\n": "confirm", " ": "confirm",
    "\x1b[B": "further", "\x1bOB": "further", "-": "further",
    "\x1b[A": "less", "\x1bOA": "less", "+": "less", "=": "less",
    "\x1b[D": "lower", "\x1bOD": "lower",
    "\x1b[C": "higher", "\x1bOC": "higher",
    "\t": "other",
    "x": "skip", "u": "undo",
    "g": "gain_up", "l": "gain_down",
    "w": "won", **{figure: figure for figure in FIGURES}, "\x7f": "rub out", "\b": "rub out",
    "f": "finish", "q": "quit", "t": "theme",
}  # fmt: skip
"""Key or escape sequence -> action; small letters stand for both cases."""


def hints(view: View) -> list[str]:
    """Return what the keys do now, the most important first."""
    if not view.has_keys:
        return ["no keyboard here: over OSC, or stop with Ctrl-C (nothing is lost)"]
    if view.asked == "finish":
        return ["F again: finish and write the sheet"]
    if view.asked == "quit":
        return ["Q again: leave; nothing is lost, prehowl ringout --resume goes on"]
    if view.typed is not None:
        return [f"GAIN WON: {view.typed}_ dB", "RETURN take it", "any other key: leave it"]
    state = view.state
    phase = state.phase if state is not None else None
    if phase is Phase.FINISHED:
        return ["RETURN leave", "T theme"]
    is_hidden = view.deaf is not None and view.deaf.hides_instructions
    answers = [] if state is None or is_hidden else _answers(view, state)
    return [*answers, "FF finish", "QQ quit", "G/L gain +1/-1", "W gain won", "T theme"]


def _answers(view: View, state: State) -> list[str]:
    """Return what can be said of what stands there; of two answers both before the arrows.

    A ring that sounds on asks for one answer; where it does not, the other is as likely, and a
    small screen shows the first few only.
    """
    undo = ["U undo"] if state.can_undo else []
    if state.phase is Phase.ADVISED:
        return ["RETURN go on all the same", *undo]
    if state.phase is not Phase.PULL:
        return undo
    arrows = ["UP/DOWN dB", "LEFT/RIGHT band"]
    arrows += ["TAB other"] if len(view.draft.faders) > 1 else []
    is_sounding = state.ring is not None and state.ring.is_sounding
    others = [*arrows, "X not pulled"] if is_sounding else ["X not pulled", *arrows]
    return ["RETURN pulled", *others, *undo]
