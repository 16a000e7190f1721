"""The keys of the ring-out: what each asks for, and which of them to show now.

Minus and the down arrow move a fader down, as the hand does; nothing that ends the ring-out goes by
one press.
"""

from prehowl.daemon.ringout.state import Phase
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

_ANSWERS = {
    Phase.PULL: ("RETURN pulled", "UP/DOWN dB", "LEFT/RIGHT band", "X not pulled"),
    Phase.ADVISED: ("RETURN go on all the same",),
}


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
    answers = list(_ANSWERS.get(phase, ())) if phase is not None else []
    if phase is Phase.PULL and len(view.draft.faders) > 1:
        answers.insert(3, "TAB other")
    undo = ["U undo"] if state is not None and state.can_undo else []
    return [*answers, *undo, "FF finish", "QQ quit", "G/L gain +1/-1", "W gain won", "T theme"]
