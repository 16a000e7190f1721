"""The show as the rest of the program sees it, and the bridge from it to the engine."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Annotated

from prehowl.daemon.show.keys import Key
from prehowl.daemon.show.logbook_table import Logbook
from prehowl.daemon.show.order_tables import Act, Order
from prehowl.daemon.show.osc_tables import OscIn, OscMap, OscTarget
from prehowl.daemon.show.tables import (
    NORMAL_PER_DAY,
    SENSITIVITIES,
    Advice,
    Channel,
    Detection,
    Device,
    Kind,
    Screen,
    Sheets,
    Stage,
)
from prehowl.daemon.weak_bands import WeakBands
from prehowl.detectors.engine import ChannelSetup
from prehowl.detectors.loop import loop_delay


@dataclass(frozen=True, slots=True)
class Show:
    """Everything that one show file says; what it leaves out has its default."""

    stage: Annotated[Stage, Key("Where the show stands.")] = field(default_factory=Stage)
    device: Annotated[Device, Key("The audio interface to listen on.")] = field(
        default_factory=Device
    )
    detection: Annotated[Detection, Key("How readily a ring is called.")] = field(
        default_factory=Detection
    )
    advice: Annotated[Advice, Key("How cuts are advised.")] = field(default_factory=Advice)
    sheets: Annotated[Sheets, Key("Where the EQ sheets are.")] = field(default_factory=Sheets)
    screen: Annotated[Screen, Key("The dashboard.")] = field(default_factory=Screen)
    logbook: Annotated[Logbook, Key("What is kept of the show.")] = field(default_factory=Logbook)
    channels: Annotated[
        tuple[Channel, ...],
        Key("One table a channel of the interface; channels left out are plain mics."),
    ] = ()
    osc: Annotated[
        tuple[OscTarget, ...], Key("One table a receiver of OSC; none: nothing is sent.")
    ] = ()
    maps: Annotated[
        tuple[OscMap, ...],
        Key(
            "Mappings: one table for each message that a device wants in its own words "
            "(docs/osc.md)."
        ),
    ] = ()
    osc_in: Annotated[
        OscIn, Key("What may be asked of prehowl by OSC; off unless `port` is given.")
    ] = field(default_factory=OscIn)
    order: Annotated[Order, Key("How the running order goes on.")] = field(default_factory=Order)
    acts: Annotated[
        tuple[Act, ...], Key("The running order: one table an act, in the order they play.")
    ] = ()
    origins: Mapping[str, str] = field(default_factory=dict)
    """Path of a key -> where its value came from, for keys that are not at their default."""
    weak_bands: Mapping[int, WeakBands] = field(default_factory=dict)
    """Channel number -> what its EQ sheet says; filled by `sheets.in_show.with_sheets`."""
    act_weak_bands: Mapping[str, Mapping[int, WeakBands]] = field(default_factory=dict)
    """Name of an act that has sheets of its own -> channel number -> what holds while it is on."""

    def names(self, channels: int, known: Sequence[str] = ()) -> tuple[str, ...]:
        """Return a name for each of the first `channels` channels.

        Parameters
        ----------
        channels : int
            How many the source has.
        known : sequence of str
            Names that the source knows itself; a name in the show file wins.
        """
        told = {channel.number: channel.name for channel in self.channels}
        own = dict(enumerate(known, start=1))
        return tuple(
            told.get(number) or own.get(number) or f"Ch {number}"
            for number in range(1, channels + 1)
        )

    def setups(self, channels: int) -> list[ChannelSetup]:
        """Return what the engine should know of each of the first `channels` channels.

        Channels that the file names beyond `channels` are left out here and told by `beyond`: a
        smaller spare interface must not keep a show from starting.
        """
        told = {channel.number: channel for channel in self.channels}
        return [self._setup(told.get(number, Channel(number))) for number in range(1, channels + 1)]

    def beyond(self, channels: int) -> tuple[Channel, ...]:
        """Return the channels of the file that a source of `channels` channels does not have."""
        return tuple(channel for channel in self.channels if channel.number > channels)

    def partner(self, channel: Channel) -> Channel | None:
        """Return the mix of a mic, or the mic of a mix, whichever of the two names the other."""
        own = self.partners(channel)
        wanted = channel.mix if channel.kind == Kind.MIC else channel.mic
        told = (other for other in own if wanted in (other.number, other.label))
        return next(told, own[0] if own else None)

    def partners(self, channel: Channel) -> tuple[Channel, ...]:
        """Return all mixes of a mic, or all mics of a mix, whichever of the two names the other."""
        if channel.kind == Kind.REFERENCE:
            return ()
        wanted = channel.mix if channel.kind == Kind.MIC else channel.mic
        return tuple(
            other
            for other in self.channels
            if other.kind not in (channel.kind, Kind.REFERENCE)
            and (
                wanted in (other.number, other.label)
                or (other.mic if channel.kind == Kind.MIC else other.mix)
                in (channel.number, channel.label)
            )
        )

    def loop_delay(self, channel: Channel) -> tuple[float, str]:
        """Return the delay once around the channel's loop, seconds, and where it comes from.

        Its own `loop_delay_ms` or `distance_m`; else that of the mic or mix it belongs to (they
        share one loop); else the engine's default.
        """
        partner = self.partner(channel)
        for told in (channel, partner) if partner else (channel,):
            whose = "" if told is channel else f", of {told.label}"
            if told.loop_delay_ms is not None:
                return told.loop_delay_ms / 1000, f"measured{whose}"
            if told.distance_m is not None:
                electronics_s = self.stage.electronics_ms / 1000
                delay_s = loop_delay(told.distance_m, electronics_s, self.stage.temperature_c)
                return delay_s, f"{told.distance_m:g} m{whose}"
        return ChannelSetup().loop_delay_s, "default"

    def sensitivity(self, channel: Channel) -> tuple[float, str]:
        """Return the engine's sensitivity for a channel, and the word or number that says so.

        The channel's own, else that of `[detection]`; in both a number goes before a word.
        """
        if channel.false_alarms_per_day is None and channel.sensitivity is not None:
            return SENSITIVITIES[channel.sensitivity], channel.sensitivity
        per_day = channel.false_alarms_per_day or self.detection.false_alarms_per_day
        if per_day is not None:
            return per_day / NORMAL_PER_DAY, f"{per_day:g} a day"
        return SENSITIVITIES[self.detection.sensitivity], self.detection.sensitivity

    def _setup(self, channel: Channel) -> ChannelSetup:
        sheet = self.weak_bands.get(channel.number)
        return ChannelSetup(
            loop_delay_s=self.loop_delay(channel)[0],
            is_reference=channel.kind == Kind.REFERENCE,
            sensitivity=self.sensitivity(channel)[0],
            cut_cap_db=self.advice.cut_cap_db,
            fader_step_db=self.advice.fader_step_db,
            rang_hz=() if sheet is None else sheet.ring_hz,
        )
