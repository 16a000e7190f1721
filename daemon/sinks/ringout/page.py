"""Decides what the screen says: one call in large letters, figures if there are any, few words.

Order: the ring-out's own phase; but while it runs, a fault of the hearing comes first, because a
screen that says 'more gain' and hears nothing would lead straight into a howl. A channel that runs
and is silent is such a fault only where more gain is asked for: it may be muted at a ring.
"""

from dataclasses import dataclass
from enum import StrEnum

from prehowl.daemon.ringout.hearing import Deaf
from prehowl.daemon.ringout.state import HeldRing, Phase, Pull, State
from prehowl.daemon.sinks.dashboard.wording import clean
from prehowl.daemon.sinks.ringout.model import View
from prehowl.daemon.sinks.ringout.wording import (
    HELPS,
    NO_SOUND,
    REASONS,
    REMARKS,
    counted_words,
    db_words,
    gain_words,
    pull_sentence,
    pulls_words,
    ring_words,
    task_words,
)
from prehowl.daemon.sinks.words import band_words

ANSWER = "ANSWER"
"""The large word where only the person can say what became of a ring: the question comes first,
the figures stand above it anyway."""


class Tone(StrEnum):
    """How the head stands out; the word in it says the same."""

    CALM = "calm"
    ACT = "act"
    STOP = "stop"
    TROUBLE = "trouble"


@dataclass(frozen=True, slots=True)
class Page:
    """The message, independent of the size of the screen."""

    tone: Tone
    head: str  # large: what to do
    right: str  # large if there is room: how far it has come
    sentences: tuple[str, ...]  # in plain words, in order of weight
    faders: tuple[tuple[str, ...], ...] = ()  # ('2.5 kHz', '-3 dB') of each
    chosen: int | None = None  # fader that the arrows move, where there are two
    is_faded: bool = False
    words: tuple[str, ...] = ()  # in large letters, where there are no figures
    points: tuple[str, ...] = ()  # a list to read


def page_of(view: View, now_s: float) -> Page:
    """Choose the message."""
    state = view.state
    if state is not None and state.phase is Phase.FINISHED:
        return _finished(view, state)
    if view.deaf is not None and (
        view.deaf.hides_instructions if state is None else view.deaf.comes_before(state.phase)
    ):
        return _fault(view, view.deaf, now_s)
    if state is None:
        return Page(Tone.CALM, "STARTING", "", ("Waiting for the first audio.",))
    return {
        Phase.LISTENING: _listening,
        Phase.PULL: _pull,
        Phase.CHECKING: _checking,
        Phase.ADVISED: _advised,
    }[state.phase](view, state)


def _fault(view: View, deaf: Deaf, now_s: float) -> Page:
    """Return what keeps the ring-out from hearing."""
    detail = clean(view.health.source.detail) if view.health is not None else ""
    if deaf is Deaf.ENDED:
        text = "The audio has come to its end. Finish, or quit: nothing is lost."
        return Page(Tone.STOP, "ENDED", "", (text, detail))
    if deaf is Deaf.NO_NEWS:
        age_s = now_s - (now_s if view.heard_s is None else view.heard_s)
        text = f"NO NEWS from the audio for {age_s:.0f} s: send down, nothing is being heard."
        return Page(Tone.TROUBLE, "NO NEWS", "", (text,), words=("SEND DOWN",))
    if deaf is Deaf.NO_INPUT:
        text = f"Send down. NO INPUT: {detail or 'nothing is being heard'}"
        return Page(Tone.TROUBLE, "NO INPUT", "", (text,), words=("SEND DOWN",))
    who = clean(view.channel) or "this channel"
    texts = (NO_SOUND, f"Nothing arrives on {who}: muted, gated or not patched.")
    words = ("SEND LOW", "OPEN THE MIC", "CHECK PATCH")
    return Page(Tone.TROUBLE, "NO SOUND", "", texts, words=words)


def _progress(state: State) -> str:
    count = sum(cut > 0 for cut in state.cuts_db)
    return f"{count} CUT{'S' * (count != 1)}" if count else ""


def _listening(_view: View, state: State) -> Page:
    sentences = (task_words(state), counted_words(state))
    words: tuple[str, ...] = ("A LITTLE MORE", "OR STEP NEARER")
    if not state.found:
        words = ("RAISE SLOWLY", "OR STEP NEARER", "UNTIL IT RINGS")
    return Page(Tone.CALM, "MORE GAIN", _progress(state), sentences, words=words)


def _figures(pulls: tuple[Pull, ...]) -> tuple[tuple[str, ...], ...]:
    return tuple((band_words(pull.band_hz), db_words(pull.to_db)) for pull in pulls)


def _pull(view: View, state: State) -> Page:
    draft = view.draft
    remark = REMARKS[state.remark] if state.remark is not None else ""
    call, stopped = _became(state.ring)
    sentences = (pull_sentence(state.pulls), stopped or remark, ring_words(state))
    if draft.is_changed:
        told = f"Changed by you: {pulls_words(draft.faders)}. RETURN counts it."
        sentences = (told, f"It was to be: {pulls_words(state.pulls)}.", stopped)
    elif call == ANSWER:
        sentences = (stopped, pull_sentence(state.pulls), ring_words(state))
    return Page(
        Tone.ACT,
        "CHANGED TO" if draft.is_changed else "PULL TO",
        call,
        sentences,
        faders=_figures(draft.faders),
        chosen=draft.chosen if len(draft.faders) > 1 else None,
    )


def _became(ring: HeldRing | None) -> tuple[str, str]:
    """Return in one word what became of the ring, and what follows from it."""
    if ring is not None and ring.is_lost:
        return ANSWER, "Nobody heard it stop. RETURN if it is pulled, X if not."
    if ring is not None and ring.has_cleared:
        return "GONE", "It has stopped: counts as pulled in a moment; X if you did not."
    return "RINGS", ""


def _checking(_view: View, state: State) -> Page:
    sentences = (task_words(state), ring_words(state))
    return Page(Tone.CALM, "WAIT", "", sentences, faders=_figures(state.pulls), is_faded=True)


def _advised(_view: View, state: State) -> Page:
    reason = REASONS[state.reason] if state.reason is not None else ""
    helps = tuple(HELPS[help_] for help_ in state.helps)
    sentences = (reason, "What else helps:" if helps else "")
    return Page(Tone.STOP, "STOP", _progress(state), sentences, points=helps)


def _finished(view: View, state: State) -> Page:
    back = db_words(state.plan.send_back_db)
    sentences = (task_words(state), gain_words(state), *view.notes)
    if view.troubles:
        texts = (*map(clean, view.troubles), *sentences)
        return Page(Tone.TROUBLE, "SEND BACK", "NO SHEET", texts, faders=((back,),))
    return Page(Tone.CALM, "SEND BACK", "DONE", sentences, faders=((back,),))
