"""The tables of a show file for the running order: acts, and what differs in each."""

from dataclasses import dataclass
from typing import Annotated

from prehowl.daemon.show.keys import Key
from prehowl.daemon.show.tables import WORDS_HIGH


@dataclass(frozen=True, slots=True)
class Order:
    """How the running order goes on."""

    follow_clock: Annotated[
        bool,
        Key(
            "Bring each act on at its `start`, by this computer's clock. A key or OSC can go on "
            "earlier, and back; the clock does not, unless it is itself set back."
        ),
    ] = False


@dataclass(frozen=True, slots=True)
class ActChannel:
    """What one channel is in one act, where it differs from `[[channels]]`."""

    number: Annotated[int, Key("Channel number, from 1.", low=1, high=256)]
    name: Annotated[
        str, Key("What it is called in this act.", high=WORDS_HIGH, unset="as in `[[channels]]`")
    ] = ""
    sheet: Annotated[
        str | None,
        Key(
            "The EQ sheet of its mix in this act, named as in `channels.sheet`: its bands are the "
            "known weak ones while the act is on.",
            unset="as in `[[channels]]`",
        ),
    ] = None


@dataclass(frozen=True, slots=True)
class Act:
    """One act of the running order."""

    name: Annotated[str, Key("Who plays.", low=1, high=WORDS_HIGH)]
    start: Annotated[
        str, Key("When, as `HH:MM` local time; past midnight goes on.", high=5, unset="not told")
    ] = ""
    channels: Annotated[
        tuple[ActChannel, ...], Key("One table a channel that differs in this act.")
    ] = ()
