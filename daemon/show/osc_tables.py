"""The tables of a show file that speak of OSC: the receivers, what is let in, mappings."""

from dataclasses import dataclass
from typing import Annotated

from prehowl.daemon.show.keys import Key
from prehowl.daemon.show.tables import WORDS_HIGH, Kind

MESSAGES = (
    "ring",
    "alert",
    "channel",
    "worst",
    "act",
    "control",
    "ringout",
    "heartbeat",
    "health",
)
"""Groups of OSC messages that a target may ask for."""
TRANSPORTS = ("udp", "tcp")
OSC_PORT = 9000
STATES = ("suspect", "ringing", "howling")
KINDS = tuple(str(kind) for kind in Kind)
ARGUMENT_TYPES = ("int", "float", "string", "bool", "blob")

VERBS = (
    "next_act",
    "previous_act",
    "acknowledge",
    "hold",
    "snapshot",
    "ringout_confirm",
    "ringout_correct",
    "ringout_skip",
    "ringout_gain",
    "ringout_undo",
    "ringout_finish",
)
"""What OSC may ask for (`osc_in/verbs.py`, docs/osc.md)."""


@dataclass(frozen=True, slots=True)
class OscTarget:
    """One receiver of OSC datagrams: a tablet, a lighting desk, another computer."""

    host: Annotated[str, Key("Address or host name of the receiver.", low=1, high=253)]
    port: Annotated[int, Key("Port that it listens on.", low=1, high=65535)] = OSC_PORT
    transport: Annotated[
        str,
        Key(
            "`udp`: datagrams, what nearly every device takes; `tcp`: one connection with SLIP "
            "frames (OSC 1.1), where nothing may be lost on the way.",
            choices=TRANSPORTS,
        ),
    ] = "udp"
    name: Annotated[str, Key("What you call it.", high=WORDS_HIGH, unset="`host:port`")] = ""
    messages: Annotated[
        tuple[str, ...],
        Key("Which groups of messages it gets (docs/osc.md).", choices=MESSAGES),
    ] = MESSAGES
    repeat_s: Annotated[
        int,
        Key(
            "Repeat every flat address this often, so that a datagram lost on Wi-Fi or a tablet "
            "that joined late heals. 0 sends strictly on change.",
            unit="s",
            low=0,
            high=3600,
        ),
    ] = 5

    @property
    def label(self) -> str:
        """Return the name for people, also where none was given."""
        return self.name or f"{self.host}:{self.port}"


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


@dataclass(frozen=True, slots=True)
class MapArgument:
    """One argument of a mapping."""

    type: Annotated[
        str,
        Key(
            "What is sent: `int` (`i`), `float` (`f`), `string` (`s`), `bool` (`T` or `F`), "
            "`blob` (`b`). Never guessed from the value.",
            choices=ARGUMENT_TYPES,
        ),
    ]
    value: Annotated[
        str,
        Key(
            "Text with fields in braces, `{channel_name}: {label}`. For `int`, `float` and "
            "`bool` a number, or one field that is a figure. For `blob` the text as UTF-8, or "
            "`hex:` and the bytes.",
            low=1,
            high=200,
        ),
    ]
    scale_from: Annotated[
        tuple[float, ...],
        Key(
            "Two numbers: the field's range, mapped in a straight line to `scale_to`; beyond it "
            "the end stands.",
            low=-1e6,
            high=1e6,
            unset="not scaled",
        ),
    ] = ()
    scale_to: Annotated[
        tuple[float, ...],
        Key("Two numbers: what the receiver wants.", low=-1e6, high=1e6, unset="not scaled"),
    ] = ()
    unknown: Annotated[
        float, Key("Sent for a figure that is not known yet, unscaled.", low=-1e6, high=1e6)
    ] = 0.0


@dataclass(frozen=True, slots=True)
class OscMap:
    """One mapping: rings that pass a filter become messages of any address."""

    address: Annotated[
        str,
        Key(
            "OSC address; may hold `{channel}`, `{channel_name}`, `{kind}`, `{state}`, "
            "`{state_number}`, `{band_hz}`.",
            low=1,
            high=200,
        ),
    ]
    args: Annotated[tuple[MapArgument, ...], Key("The arguments, in order; none is fine.")] = ()
    targets: Annotated[
        tuple[str, ...],
        Key("Names of the `[[osc]]` receivers that get it.", high=300, unset="all of them"),
    ] = ()
    send: Annotated[
        str,
        Key(
            "`enter`: once, when a ring comes to pass the filter; `leave`: once, when it no longer "
            "does; `while`: again and again in between, `rate_hz` times a second; `each`: at every "
            "event that passes.",
            choices=("enter", "leave", "while", "each"),
        ),
    ] = "enter"
    per: Annotated[
        str,
        Key(
            "What `enter`, `leave` and `while` count: every `ring`, or the first and last ring "
            "on a `channel`, or of the whole `show`. A lamp for a channel wants `channel`. Where "
            "the address has fields, each address that they give is counted by itself.",
            choices=("ring", "channel", "show"),
        ),
    ] = "ring"
    each_channel: Annotated[
        bool,
        Key(
            "`false`: one howl that many channels hear counts once, as a ring on the channel that "
            "it belongs to; it passes `channels` and `kinds` if that channel, or the mic or mix "
            "that the alert names, does. `true`: the ring of every channel that hears it counts."
        ),
    ] = False
    rate_hz: Annotated[float, Key("How often `while` sends.", "Hz", low=0.1, high=30)] = 4.0
    at_most_hz: Annotated[
        float,
        Key(
            "Most messages a second at one address; of those that come too fast the latest wins.",
            "Hz",
            low=0.1,
            high=1000,
        ),
    ] = 20.0
    states: Annotated[tuple[str, ...], Key("Only rings in these states.", choices=STATES)] = (
        "ringing",
        "howling",
    )
    channels: Annotated[
        tuple[int, ...], Key("Only these channel numbers.", low=1, high=256, unset="all")
    ] = ()
    kinds: Annotated[
        tuple[str, ...],
        Key(
            "Only channels of these kinds.", choices=tuple(str(kind) for kind in Kind), unset="all"
        ),
    ] = ()
    acts: Annotated[
        tuple[str, ...], Key("Only while these acts are on.", high=WORDS_HIGH, unset="all")
    ] = ()
    band_from_hz: Annotated[
        float | None,
        Key("Only bands from this nominal centre up.", "Hz", low=20, high=20000, unset="all"),
    ] = None
    band_to_hz: Annotated[
        float | None,
        Key("Only bands up to this nominal centre.", "Hz", low=20, high=20000, unset="all"),
    ] = None
    bundle: Annotated[
        str,
        Key(
            "`none`: plain messages; `immediate`: in a bundle to be obeyed at once; `time`: in a "
            "bundle with the event's time plus `delay_ms` (both computers need the same clock). "
            "Messages of one moment share a bundle.",
            choices=("none", "immediate", "time"),
        ),
    ] = "none"
    delay_ms: Annotated[
        float, Key("Added to the time of a bundle.", unit="ms", low=0, high=10000)
    ] = 0.0
