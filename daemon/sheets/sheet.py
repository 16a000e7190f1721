"""What a sheet is: 31 faders, where and when they were found, and what was done since.

Pure: no file, no clock. A sheet never changes; `dataclasses.replace` makes the next one.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Annotated

from prehowl.daemon.show.keys import Key
from prehowl.detectors.bands import NOMINAL_HZ, band_index
from prehowl.detectors.graphic_eq import EqKind

FORMAT = 1
"""Of the file. A file with a higher one comes from a newer prehowl and is left alone."""
NAME_MOST = 40
"""Characters of each of the three names."""
TEXT_MOST = 400
LOWEST_DB, HIGHEST_DB = -24.0, 12.0
"""How far a fader of a sheet may stand from flat."""
FLAT = (0.0,) * len(NOMINAL_HZ)


@dataclass(frozen=True, slots=True)
class FoundRing:
    """One ring of a ring-out, in the order in which they came."""

    frequency_hz: Annotated[
        float, Key("Where it rang.", unit="Hz", low=10, high=24_000)
    ]  # fmt: skip
    band_hz: Annotated[
        float,
        Key("Nominal centre of the fader that was pulled (ISO 266).", "Hz", low=20, high=20_000),
    ]
    cut_db: Annotated[
        float, Key("How much further that fader was pulled for it.", "dB", low=0, high=24)
    ]
    at: Annotated[str, Key("When: ISO 8601 date and time.", unset="not told")] = ""


@dataclass(frozen=True, slots=True)
class Change:
    """One line of a sheet's history."""

    at: Annotated[str, Key("When: ISO 8601 date and time.")]
    what: Annotated[str, Key("What was done.", high=TEXT_MOST)]


@dataclass(frozen=True, slots=True)
class Sheet:
    """A graphic-EQ setting with its story."""

    monitor: Annotated[str, Key("Model or place of the monitor.", high=NAME_MOST)]
    mic: Annotated[str, Key("Type of the microphone.", high=NAME_MOST)]
    mix: Annotated[str, Key("The mix whose equaliser this is.", high=NAME_MOST)]
    format: Annotated[int, Key("Format of the file.", low=1, high=FORMAT)] = FORMAT
    version: Annotated[
        int, Key("Counts up with every change; 0 until it is kept.", low=0, high=999_999)
    ] = 0
    place: Annotated[str, Key("Where it was rung out.", high=80, unset="not told")] = ""
    made_at: Annotated[
        str, Key("When it was rung out: ISO 8601 date and time.", unset="not told")
    ] = ""
    temperature_c: Annotated[
        float | None,
        Key("Air temperature at the ring-out.", unit="°C", low=-20, high=55, unset="not told"),
    ] = None
    eq: Annotated[
        str,
        Key(
            "Kind of the graphic equaliser: `constant-q` has one width whatever the cut, "
            "`proportional-q` is broad for small moves.",
            choices=tuple(str(kind) for kind in EqKind),
        ),
    ] = str(EqKind.CONSTANT_Q)
    rate_hz: Annotated[
        int,
        Key("Samples per second of the desk, for the response.", unit="Hz", low=8000, high=384_000),
    ] = 48_000
    fader_step_db: Annotated[
        float, Key("Steps of the desk's faders.", unit="dB", low=0.1, high=3)
    ] = 0.5
    fader_cap_db: Annotated[
        float,
        Key("How far down a fader may go before other things help more.", "dB", low=1, high=24),
    ] = 12.0
    gain_won_db: Annotated[
        float | None,
        Key("Gain before feedback won over the flat EQ.", "dB", low=-40, high=40, unset="not told"),
    ] = None
    gain_won_uncertainty_db: Annotated[
        float | None, Key("Give or take.", unit="dB", low=0, high=40, unset="not told")
    ] = None
    pull_back_db: Annotated[
        float | None,
        Key(
            "How far the send was pulled back from the last ring.",
            unit="dB",
            low=0,
            high=40,
            unset="not told",
        ),
    ] = None
    note: Annotated[str, Key("Anything worth knowing.", high=TEXT_MOST, unset="none")] = ""
    rings: Annotated[tuple[FoundRing, ...], Key("What rang, in order.")] = ()
    history: Annotated[tuple[Change, ...], Key("What was done to it, oldest first.")] = ()
    faders_db: Annotated[
        tuple[float, ...],
        Key(
            "The 31 faders by name, 0 is flat, a cut is negative.",
            unit="dB",
            low=LOWEST_DB,
            high=HIGHEST_DB,
        ),
    ] = FLAT

    @property
    def title(self) -> str:
        """Return the three names for people: `Wedge 12 / Vocal mic / Mix 1`."""
        return f"{self.monitor} / {self.mic} / {self.mix}"

    @property
    def kind(self) -> EqKind:
        """Return the kind of equaliser."""
        return EqKind(self.eq)

    def at_cap(self, band: int) -> bool:
        """Tell whether a fader (0..30) is down as far as it may go, within half a step."""
        return self.faders_db[band] <= -(self.fader_cap_db - self.fader_step_db / 2)

    def with_faders(self, moved: Mapping[int, float]) -> "Sheet":
        """Return the sheet with some faders (0..30) at other positions, dB."""
        return replace(
            self,
            faders_db=tuple(
                float(moved.get(band, gain)) + 0.0 for band, gain in enumerate(self.faders_db)
            ),
        )


def ring_of(frequency_hz: float, cut_db: float, at: str) -> FoundRing:
    """Return a found ring whose fader is that of its own band."""
    band_hz = float(NOMINAL_HZ[int(band_index(frequency_hz))])
    return FoundRing(float(frequency_hz), band_hz, float(cut_db), at)
