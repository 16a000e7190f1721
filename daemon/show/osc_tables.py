"""The tables of a show file that speak of OSC beyond the receivers: what is let in."""

from dataclasses import dataclass
from typing import Annotated

from prehowl.daemon.show.keys import Key

VERBS = (
    "next_act",
    "previous_act",
    "acknowledge",
    "hold",
    "snapshot",
    "ringout_confirm",
    "ringout_correct",
    "ringout_undo",
    "ringout_finish",
)
"""What OSC may ask for (`osc_in/verbs.py`, docs/osc.md)."""


@dataclass(frozen=True, slots=True)
class OscIn:
    """What may be asked of prehowl by OSC."""

    port: Annotated[
        int | None,
        Key("UDP port to listen on.", low=1, high=65535, unset="nothing is received"),
    ] = None
    bind: Annotated[
        str,
        Key(
            "Address of this computer to listen at. `127.0.0.1` is heard by programs of this "
            "computer only; `0.0.0.0` by everyone on every network that it is in.",
            low=1,
            high=253,
        ),
    ] = "127.0.0.1"
    allow: Annotated[
        tuple[str, ...],
        Key(
            "Who may send: addresses (`192.168.20.31`) or networks (`192.168.20.0/24`), no host "
            "names. Must be given where `bind` is not this computer alone.",
            high=64,
            unset="this computer",
        ),
    ] = ()
    verbs: Annotated[
        tuple[str, ...], Key("Which verbs are let in (docs/osc.md).", choices=VERBS)
    ] = VERBS
    attach: Annotated[
        bool,
        Key("Whether `prehowl attach` may show this daemon's dashboard elsewhere."),
    ] = True
