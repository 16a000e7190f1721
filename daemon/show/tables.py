"""The tables of a show file, one frozen dataclass each; a field is a key, its unit in the name.

Owns names, units, ranges and defaults. Reading is `reader.py`, what one key alone cannot tell is
`rules.py`, what the engine gets from it is `show.py`.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated

from prehowl.daemon.show.keys import Key

RATES_HZ = (44100, 48000, 88200, 96000)
SENSITIVITIES = {"calm": 0.33, "normal": 1.0, "keen": 3.0}
"""The words of the show file and the engine's number (`ChannelSetup.sensitivity`) behind each."""
NORMAL_PER_DAY = 6.0
"""False alarms in a day of music and speech without a break that `normal` is set for: one in four
hours over the tune and check splits of the bench (docs/detection.md)."""
THEMES = ("dark", "light")
WORDS_HIGH = 40  # characters of a name: what a dashboard column and a tablet label can hold


class Kind(StrEnum):
    """What arrives on a channel."""

    MIC = "mic"
    MIX = "mix"
    REFERENCE = "reference"


@dataclass(frozen=True, slots=True)
class Stage:
    """Where the show stands: what all loops share."""

    title: Annotated[
        str, Key("Name of the show, for screens and logs.", high=80, unset="no title")
    ] = ""
    temperature_c: Annotated[
        float,
        Key(
            "Air temperature on stage; sets the speed of sound for every `distance_m`.",
            unit="°C",
            low=-20,
            high=55,
        ),
    ] = 20.0
    electronics_ms: Annotated[
        float,
        Key(
            "Delay of the electronics from microphone to loudspeaker (converters, desk, "
            "processing, amplifier), added to the delay of every `distance_m`.",
            unit="ms",
            low=0,
            high=50,
        ),
    ] = 3.0


@dataclass(frozen=True, slots=True)
class Device:
    """The audio interface to listen on."""

    name: Annotated[
        str | int | None,
        Key(
            "The interface: words from its name, or its number in `prehowl devices`.",
            low=0,
            high=200,
            unset="the system's default input",
        ),
    ] = None
    rate_hz: Annotated[
        int | None,
        Key(
            "Samples per second. Must be what the desk's clock runs at.",
            unit="Hz",
            choices=RATES_HZ,
            unset="the interface's own rate",
        ),
    ] = None
    channels: Annotated[
        int | None,
        Key(
            "How many channels to open, counted from the first.",
            low=1,
            high=256,
            unset="the highest `channels.number`, or all that the interface has",
        ),
    ] = None


@dataclass(frozen=True, slots=True)
class Detection:
    """How readily a ring is called."""

    sensitivity: Annotated[
        str,
        Key(
            "How many false alarms are borne for seeing more rings, and sooner: `normal` is set "
            "for about six in a day of music and speech without a break; `calm` bears a third of "
            "that and suits pads, organs and strings; `keen` three times as many and suits speech.",
            choices=tuple(SENSITIVITIES),
        ),
    ] = "normal"
    false_alarms_per_day: Annotated[
        float | None,
        Key(
            "The same as a number, in the place of the word: false alarms that are borne in a day "
            "of music and speech without a break, on each channel.",
            low=0.1,
            high=1000,
            unset="as `sensitivity` says",
        ),
    ] = None


@dataclass(frozen=True, slots=True)
class Advice:
    """How cuts are advised."""

    cut_cap_db: Annotated[
        float,
        Key(
            "Never advise more than this in one go: beyond it, turn the monitor down or move the "
            "microphone instead.",
            unit="dB",
            low=1,
            high=15,
        ),
    ] = 6.0
    fader_step_db: Annotated[
        float,
        Key("Steps of your graphic EQ's faders; cuts are rounded up to it.", "dB", low=0.1, high=3),
    ] = 0.5


@dataclass(frozen=True, slots=True)
class Sheets:
    """Where the EQ sheets are."""

    folder: Annotated[
        str | None,
        Key(
            "Folder of the EQ sheets that `channels.sheet` names; a relative one counts from the "
            "show file's own folder.",
            unset="`sheets` in the user's data folder (docs/sheets.md)",
        ),
    ] = None


@dataclass(frozen=True, slots=True)
class Screen:
    """The dashboard."""

    theme: Annotated[str, Key("`dark` for a dark stage, `light` for full sun.", choices=THEMES)] = (
        "dark"
    )


@dataclass(frozen=True, slots=True)
class Channel:
    """One channel of the interface."""

    number: Annotated[
        int, Key("Channel number, from 1, as printed on the interface.", low=1, high=256)
    ]
    name: Annotated[
        str, Key("What you call it on stage.", high=WORDS_HIGH, unset="`Ch` and the number")
    ] = ""
    kind: Annotated[
        str,
        Key(
            "`mic`: an open microphone; `mix`: an output that feeds a wedge or side-fill; "
            "`reference`: a DI, click or playback that cannot be in an acoustic loop; it never "
            "alarms, and what rises there too is music on every channel. Never a bus with open "
            "microphones in it.",
            choices=tuple(str(kind) for kind in Kind),
        ),
    ] = "mic"
    mix: Annotated[
        str | int | None,
        Key(
            "For a mic: name or number of the mix channel that feeds the wedge in front of it.",
            low=1,
            high=256,
            unset="not told",
        ),
    ] = None
    mic: Annotated[
        str | int | None,
        Key(
            "For a mix: name or number of the mic channel that stands in front of its wedge.",
            low=1,
            high=256,
            unset="not told",
        ),
    ] = None
    wedge: Annotated[
        str | None,
        Key(
            "What you call the wedge or side-fill, for alerts to name it. For a mix: the one that "
            "it feeds; for a mic: the one in front of it, where its mix is not tapped.",
            low=1,
            high=WORDS_HIGH,
            unset="not told",
        ),
    ] = None
    loop_delay_ms: Annotated[
        float | None,
        Key(
            "Delay once around the loop, air and electronics, where you have measured it. "
            "Growth and delay together give the margin in dB.",
            unit="ms",
            low=0.5,
            high=500,
            unset="from `distance_m`; else that of the mic or mix it belongs to; else 8 ms",
        ),
    ] = None
    distance_m: Annotated[
        float | None,
        Key(
            "Wedge to microphone, in place of `loop_delay_ms`: "
            "delay = distance / speed of sound + `stage.electronics_ms`.",
            unit="m",
            low=0.05,
            high=100,
            unset="not told",
        ),
    ] = None
    sensitivity: Annotated[
        str | None,
        Key(
            "This channel's own sensitivity.",
            choices=tuple(SENSITIVITIES),
            unset="as `[detection]` says",
        ),
    ] = None
    false_alarms_per_day: Annotated[
        float | None,
        Key(
            "The same as a number, in the place of the word.",
            low=0.1,
            high=1000,
            unset="as `sensitivity` says",
        ),
    ] = None
    sheet: Annotated[
        str | None,
        Key(
            "The EQ sheet of its mix: the name as `prehowl sheets list` prints it, or words of it "
            "that fit no other; `@2` behind it means version 2. Its bands are marked as known "
            "weak. A mic shares the sheet of its mix, and the other way round.",
            unset="none",
        ),
    ] = None

    @property
    def label(self) -> str:
        """Return the name for people, also where none was given."""
        return self.name or f"Ch {self.number}"
