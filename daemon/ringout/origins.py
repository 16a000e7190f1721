"""Where the sound of a ring-out comes from: device, recording or virtual stage.

Owns the record that stands in a journal's head, so that a ring-out that is resumed listens to the
same source again without being told.
"""

from dataclasses import dataclass, replace
from typing import Any

from prehowl.daemon.errors import UsageError
from prehowl.daemon.ringout.practice import MICROPHONES, ROOMS, WEDGES, Choice, set_up
from prehowl.daemon.ringout.virtual_source import VirtualSource
from prehowl.daemon.sources.base import Source
from prehowl.detectors.engine import ChannelSetup, Engine


@dataclass(frozen=True, slots=True)
class Origin:
    """One of three kinds; what does not belong to the kind is None."""

    kind: str  # device, recording, virtual
    channel: int = 1
    device: str | int | None = None
    rate_hz: int | None = None
    recording: str | None = None
    seed: int | None = None
    wedge: str | None = None
    microphone: str | None = None
    room: str | None = None

    @property
    def is_live(self) -> bool:
        """Tell whether sound comes from an interface, with people near loudspeakers."""
        return self.kind == "device"


@dataclass(frozen=True, slots=True)
class Opened:
    """A source of one channel, with its words."""

    source: Source
    title: str
    virtual: VirtualSource | None = None
    told: str = ""  # what stands on the virtual stage
    temperature_c: float | None = None  # of its air


def origin_of_record(record: Any) -> Origin:
    """Return the origin that a journal's head tells.

    Raises
    ------
    UsageError
        If the head tells none.
    """
    try:
        return Origin(**record)
    except TypeError:
        raise UsageError("the journal does not tell where its sound came from") from None


def open_origin(origin: Origin, from_s: float = 0.0) -> Opened:
    """Open the source; a recording from some second on."""
    if origin.kind == "virtual":
        return _virtual(origin)
    # Imported here: each source brings a library of its own, and the other must do without.
    if origin.kind == "recording":
        from prehowl.daemon.sources.recording import RecordingSource

        recording = RecordingSource(str(origin.recording), channels=(origin.channel,))
        _skip(recording, from_s)
        return Opened(recording, str(origin.recording))
    from prehowl.daemon.sources.device import DeviceSource

    device = DeviceSource(origin.device, channels=(origin.channel,), rate_hz=origin.rate_hz)
    return Opened(device, device.device_name)


def engine_of(opened: Opened, setup: ChannelSetup) -> Engine:
    """Return the engine for the channel of a ring-out; it alarms whatever a show file calls it.

    Raises
    ------
    UsageError
        If the source's rate is none that the engine takes.
    """
    try:
        return Engine(opened.source.rate_hz, [replace(setup, is_reference=False)])
    except ValueError as fault:
        raise UsageError(f"{opened.title}: {fault}") from None


def _virtual(origin: Origin) -> Opened:
    for name, kinds, option in (
        (origin.wedge, WEDGES, "--virtual-wedge"),
        (origin.microphone, MICROPHONES, "--virtual-mic"),
        (origin.room, ROOMS, "--virtual-room"),
    ):
        if name is not None and name not in kinds:
            raise UsageError(f"{option} {name!r}: there are {', '.join(kinds)}")
    practice = set_up(Choice(origin.seed or 0, origin.wedge, origin.microphone, origin.room))
    told = (
        f"virtual stage, seed {origin.seed}: {WEDGES[practice.wedge].words}, "
        f"{MICROPHONES[practice.microphone].words} {practice.distance_m:.1f} m away, "
        f"{ROOMS[practice.room].words}, {practice.temperature_c:.0f} °C"
    )
    source = VirtualSource(practice)
    return Opened(source, "virtual stage", source, told, round(practice.temperature_c, 1))


def _skip(source: Source, from_s: float) -> None:
    """Read away what was heard before an interruption."""
    left = round(from_s * source.rate_hz)
    while left > 0 and (block := source.read()) is not None:
        left -= block.lost + len(block.samples)
