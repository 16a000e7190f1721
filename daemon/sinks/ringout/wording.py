"""What a ring-out says to the person: short, plain, the same on screen, in lines and over OSC."""

from collections.abc import Sequence

from prehowl.daemon.ringout.hearing import Deaf
from prehowl.daemon.ringout.state import Help, Phase, Pull, Reason, Remark, State
from prehowl.daemon.sinks.words import band_words, frequency_words
from prehowl.detectors.bands import NOMINAL_HZ

REASONS = {
    Reason.MANY_AT_ONCE: "Several bands ring at once: further cuts only take level away.",
    Reason.AT_CAP: "The same band rings again, and it is as far down as it may go.",
    Reason.PILED_UP: "The cuts lie side by side: together they only turn the wedge down.",
    Reason.NO_RESPONSE: "Neither the band named nor its neighbours hold this ring.",
    Reason.COSTLY: "The cuts take away more sound than they give gain.",
    Reason.ENOUGH: "As much gain is won as an equaliser can give.",
}
HELPS = {
    Help.MIC_ANGLE: "turn the mic so that its deaf side faces the wedge",
    Help.MIC_POSITION: "mic nearer to the mouth, further from the wedge",
    Help.WEDGE_POSITION: "move or turn the wedge",
    Help.FEWER_OPEN_MICS: "close the mics that nobody uses",
    Help.LEVEL: "less level in this mix",
    Help.RIGHT_EQUALISER: "is it this mix's equaliser, and is it switched in?",
}
REMARKS = {
    Remark.FIRST: "",
    Remark.AGAIN: "It rings here again.",
    Remark.STILL: "Pulled as told, and it rings on.",
    Remark.UNMOVED: "As if nothing was pulled: is it this fader, on this mix?",
    Remark.NEIGHBOUR: "The band named does not hold it: try its neighbour.",
}
NO_SOUND = "Send low, then open the mic; or check channel and patch."
"""Right for a channel that is still muted before the first note as for a wrong one."""
DEAF = {
    Deaf.NO_INPUT: "Send down: the input is away, nothing is being heard.",
    Deaf.SILENT: f"No sound arrives. {NO_SOUND}",
}
"""For what `deaf_to` tells; the others are for the screen alone."""


def db_words(cut_db: float) -> str:
    """Return where a fader stands: '-3 dB', '-1.5 dB', '0 dB'."""
    return f"{-cut_db:g} dB" if cut_db else "0 dB"


def pull_words(pull: Pull) -> str:
    """Return one fader as a label: '2.5 kHz -3 dB', 'to' where it stood lower already."""
    to = "to " if pull.to_db != pull.by_db else ""
    return f"{band_words(pull.band_hz)} {to}{db_words(pull.to_db)}"


def pulls_words(pulls: Sequence[Pull]) -> str:
    """Return an instruction as one short label: '2 kHz -1.5 dB + 2.5 kHz to -4 dB'."""
    return " + ".join(pull_words(pull) for pull in pulls)


def pull_sentence(pulls: Sequence[Pull]) -> str:
    """Return what to do in one sentence: 'Pull 2.5 kHz 2 dB further, to -5 dB.'."""
    if len(pulls) > 1:
        return f"Between two faders, pull both: {pulls_words(pulls)}."
    pull = pulls[0]
    band = band_words(pull.band_hz)
    if pull.to_db == pull.by_db:
        return f"Pull {band} down to {db_words(pull.to_db)}."
    return f"Pull {band} {pull.by_db:g} dB further, to {db_words(pull.to_db)}."


def ring_words(state: State) -> str:
    """Return where the ring is: 'Rings at 2513 Hz, -22 dBFS.', 'Rang ...' once it has stopped."""
    if state.ring is None:
        return ""
    verb = "Rings" if state.ring.is_sounding else "Rang"
    return (
        f"{verb} at {frequency_words(state.ring.frequency_hz)}, {state.ring.level_dbfs:.0f} dBFS."
    )


def task_words(state: State) -> str:
    """Return what to do now in one short sentence, whatever the phase."""
    if state.phase is Phase.PULL:
        is_lost = state.ring is not None and state.ring.is_lost
        asked = " Nobody heard it stop: say whether this is pulled." if is_lost else ""
        return pull_sentence(state.pulls) + asked
    if state.phase is Phase.CHECKING:
        return "Wait: is it gone? Leave the gain where it is."
    if state.phase is Phase.ADVISED:
        return f"Stop. {REASONS[state.reason] if state.reason else ''}".strip()
    if state.phase is Phase.FINISHED:
        return f"Done. Pull the send back by {state.plan.send_back_db:g} dB."
    if state.found:
        return "A little more gain, or a step nearer to the wedge."
    return "Raise the gain slowly, or step nearer, until one note rings."


def said_words(state: State, deaf: Deaf | None) -> str:
    """Return what to do now, or that nothing is heard where that comes first.

    Parameters
    ----------
    state : State
    deaf : Deaf or None
        From `deaf_to`.
    """
    if deaf is not None and deaf.comes_before(state.phase):
        return DEAF[deaf]
    return task_words(state)


def cut_list(state: State) -> list[str]:
    """Return every fader that is down, from low to high: ['315 Hz -3', '2.5 kHz -5']."""
    return [
        f"{band_words(band_hz)} {-cut_db:g}"
        for band_hz, cut_db in zip(NOMINAL_HZ, state.cuts_db, strict=True)
        if cut_db
    ]


def counted_words(state: State) -> str:
    """Return what was counted last, or that it was left alone."""
    if state.last is None:
        return ""
    if not state.last.pulls:
        return f"{band_words(state.last.band_hz)} was left as it is."
    return f"Counted: {pulls_words(state.last.pulls)}."


def gain_words(state: State) -> str:
    """Return the gain before feedback that was won: '... 5.5 ± 1.0 dB, measured.'."""
    won = state.gain_won
    if won is None:
        return "Gain won before feedback: not known."
    spread = "" if won.plus_minus_db is None else f" ± {won.plus_minus_db:.1f}"
    how = "measured" if won.is_measured else "entered by hand"
    return f"Gain won before feedback: {won.db:.1f}{spread} dB, {how}."
