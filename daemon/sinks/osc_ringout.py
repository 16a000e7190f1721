"""What a ring-out shows over OSC: one value an address, so that a phone in the hand is enough.

The values travel on the board of the `OscSink`, with its repetition and its way through losses.
"""

from collections.abc import Mapping
from typing import Protocol

from prehowl.daemon.ringout.acts import Entry
from prehowl.daemon.ringout.hearing import Deaf
from prehowl.daemon.ringout.state import Phase, Pull, State
from prehowl.daemon.sinks.osc_bytes import Value
from prehowl.daemon.sinks.osc_messages import NOTHING, typed
from prehowl.daemon.sinks.ringout.wording import DEAF, cut_list, pulls_words, task_words

RINGOUT = (
    (
        "label",
        "s",
        "what to pull: `2.5 kHz -3 dB`, or `2.5 kHz to -5 dB` where it was down before",
    ),
    ("text", "s", "what to do now, in one sentence"),
    ("cuts", "s", "the faders that are down: `315 Hz -2.5, 2.5 kHz -3`"),
    ("step", "i", "which ring it is about, from 1; 0 before the first"),
    ("frequency", "f", "Hz, where it rings"),
    ("band", "f", "Hz, nominal: the fader to pull"),
    ("cut", "f", "dB, > 0: the fader is to stand at minus this"),
    ("by", "f", "dB, > 0: so much further down than it stands"),
    ("band2", "f", "Hz, the other fader, where the ring lies between two"),
    ("cut2", "f", "dB, as `cut`"),
    ("by2", "f", "dB, as `by`"),
    ("sounding", "i", "1 while it rings, 0 when it has stopped"),
    (
        "state",
        "i",
        "0 no ring-out, 1 more gain, 2 pull, 3 wait, 4 stop, or nothing is heard: see `text`, "
        "5 done",
    ),
)
"""Flat addresses under `/prehowl/ringout/` in the order of sending, `state` last: whoever acts on
it has the figures already."""
STATE_NUMBERS = {
    Phase.LISTENING: 1,
    Phase.PULL: 2,
    Phase.CHECKING: 3,
    Phase.ADVISED: 4,
    Phase.FINISHED: 5,
}
DEAF_NUMBER = STATE_NUMBERS[Phase.ADVISED]
"""Nothing is heard: 'stop' again, as the lamp of every receiver knows it, not a number of its own
that one which was set up before would show as nothing."""
PREFIX = "/prehowl/ringout/"


def ringout_values(state: State | None, deaf: Deaf | None = None) -> dict[str, Value]:
    """Return every address with its value; without a ring-out, or figures, 0 and '-'.

    Where nothing is heard (`deaf`) that is said in place of what is to be done.
    """
    said: dict[str, object] = {name: NOTHING if tag == "s" else 0 for name, tag, _ in RINGOUT}
    if state is not None:
        said |= _known(state)
        if deaf is not None and deaf.comes_before(state.phase):
            said |= {"text": DEAF[deaf], "state": DEAF_NUMBER}
        else:
            said |= _asked(state)
    return {PREFIX + name: (tag, typed(tag, said[name])) for name, tag, _ in RINGOUT}


def _known(state: State) -> dict[str, object]:
    """Return what stays true whether or not anything is heard."""
    return {
        "cuts": ", ".join(cut_list(state)) or NOTHING,
        "step": len(state.found) + (state.phase is Phase.PULL),
    }


def _asked(state: State) -> dict[str, object]:
    """Return what is to be done, with its figures."""
    pulls = state.pulls if state.phase in (Phase.PULL, Phase.CHECKING) else ()
    ring = state.ring
    # Two figures to begin with: a fader that is not named has zeros.
    first, second = (*pulls, Pull(0, 0, 0), Pull(0, 0, 0))[:2]
    return {
        "label": pulls_words(pulls) or NOTHING,
        "text": task_words(state),
        "frequency": ring.frequency_hz if ring is not None else 0,
        "band": first.band_hz,
        "cut": first.to_db,
        "by": first.by_db,
        "band2": second.band_hz,
        "cut2": second.to_db,
        "by2": second.by_db,
        "sounding": int(ring is not None and ring.is_sounding),
        "state": STATE_NUMBERS[state.phase],
    }


class Board(Protocol):
    """Who sends: the `OscSink`."""

    def show_ringout(self, values: Mapping[str, Value]) -> None:
        """Take all values; what differs from what a receiver knows is sent."""


class RingoutLabels:
    """A watcher of the ring-out that keeps the OSC receivers up to date.

    Parameters
    ----------
    board : OscSink
        Of the same run.
    """

    def __init__(self, board: Board) -> None:
        self._board = board
        self._state: State | None = None
        self._deaf: Deaf | None = None

    def on_state(self, state: State, entry: Entry | None) -> None:
        """Take a state; returns at once."""
        self._state = state
        self._show()

    def on_hearing(self, deaf: Deaf | None) -> None:
        """Take why nothing is heard, None where it is again; returns at once."""
        self._deaf = deaf
        self._show()

    def close(self) -> None:
        """Show that there is no ring-out any more."""
        self._state = None
        self._show()

    def _show(self) -> None:
        self._board.show_ringout(ringout_values(self._state, self._deaf))
