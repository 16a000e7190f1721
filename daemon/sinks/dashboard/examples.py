"""Invented moments of an invented festival, for pictures and for trying the screen out."""

from dataclasses import replace

import numpy as np

from prehowl.daemon.events import Alert, RingEvent
from prehowl.daemon.facts import facts_of
from prehowl.daemon.sinks.base import Health, Snapshot
from prehowl.daemon.sinks.dashboard.model import Model
from prehowl.daemon.sources.base import SourceHealth
from prehowl.daemon.weak_bands import WeakBands, with_sheet
from prehowl.detectors.bands import NOMINAL_HZ
from prehowl.detectors.rings import RingState

NAMES = (
    "Vox 1", "Vox 2", "Vox 3", "Choir L", "Choir R", "Kick", "Snare", "Hat", "Rack", "Floor",
    "OH L", "OH R", "Bass DI", "Git L", "Git R", "Acoustic", "Keys L", "Keys R", "Accordion",
    "Fiddle", "Sax", "Trumpet", "Talk", "Announcer", "Mix 1", "Mix 2", "Mix 3", "Mix 4", "Mix 5",
    "Mix 6", "Mix 7", "Mix 8",
)  # fmt: skip
MOMENTS = ("calm", "suspect", "ringing", "howling", "cleared", "no-input", "at-cap")
TITLE = "Meadow Lantern Festival · Harbour Brass"
_FIDDLE, _VOX = 20, 1
_WEAK = WeakBands(
    "Wedge 12 / Vocal / Mix 1",
    {63.0: 2.0, 800.0: 3.0, 2500.0: 6.0, 4000.0: 2.5},
    frozenset({2500.0}),
    frozenset({800.0, 2500.0}),
)


def names(channels: int) -> tuple[str, ...]:
    """Return that many channel names; beyond the invented patch list channels have none."""
    return (NAMES + ("",) * max(0, channels - len(NAMES)))[:channels]


def event(
    state: RingState,
    channel: int = 1,
    *,
    id_: int = 3,
    band_hz: float = 2500,
    time_s: float = 754.0,
) -> RingEvent:
    """Return an event of an invented ring, rising until it howls."""
    growth = {RingState.SUSPECT: 9.0, RingState.RINGING: 42.0, RingState.HOWLING: 0.4}.get(state)
    margin = {RingState.SUSPECT: 0.6, RingState.RINGING: -0.4, RingState.HOWLING: -0.1}.get(state)
    level = {RingState.SUSPECT: -38.0, RingState.RINGING: -22.0, RingState.HOWLING: -7.0}.get(
        state, -60
    )
    return RingEvent(
        id=id_,
        channel=channel,
        channel_name=NAMES[channel - 1] if channel <= len(NAMES) else "",
        state=state,
        time_s=time_s,
        onset_s=time_s - 0.4,
        frequency_hz=band_hz * 1.005,
        band_hz=band_hz,
        level_dbfs=level,
        growth_db_per_s=growth,
        margin_db=margin,
        cut_db=3.0,
    )


def snapshot(
    channels: int,
    rings: tuple[RingEvent, ...] = (),
    *,
    time_s: float = 755.0,
    health: Health | None = None,
) -> Snapshot:
    """Return a snapshot with levels and suspicion of a band at work, the same every time."""
    noise = np.random.default_rng(7)
    level = (-16 - 26 * noise.random(channels)).astype(np.float32)
    level[8::11] = -120
    suspicion = np.where(noise.random((channels, 31)) > 0.9, noise.random((channels, 31)) * 0.22, 0)
    for ring in rings:
        if ring.channel <= channels and ring.band_hz in NOMINAL_HZ:
            level[ring.channel - 1] = ring.level_dbfs + 4
            suspicion[ring.channel - 1, NOMINAL_HZ.index(ring.band_hz)] = (
                1.0 if ring.is_alarm else 0.6
            )
    well = Health(SourceHealth(), 0.12, 0, (("lights", "ok"), ("tablet", "ok")))
    return Snapshot(time_s, level, level + 9, suspicion.astype(np.float32), rings, health or well)


def moment(name: str, channels: int = 32, *, now_s: float = 100.0) -> Model:
    """Return a model in one of `MOMENTS`, seen at `now_s`."""
    weak = {number: _WEAK for number in (_VOX, _VOX + 1)} if name == "at-cap" else {}
    model = Model(names(channels), title=TITLE, weak_bands=weak)
    for past in _past(channels):
        model.take_event(past, now_s - 60)
    story, health = stories(channels)[name], None
    for told in story:
        model.take_event(told, now_s - 4)
    if name == "no-input":
        said = facts_of(["interface unplugged, looking for it every second"])
        health = Health(SourceHealth("waiting", 2, 4800, said), 0.0, 0, (("lights", "ok"),))
    living = {told.id: told for told in story}
    rings = tuple(told for told in living.values() if told.state is not RingState.CLEARED)
    model.take_snapshot(snapshot(channels, rings, health=health), now_s - 0.1)
    return model


def _past(channels: int) -> list[RingEvent]:
    last = min(channels, 3)
    return [
        event(RingState.SUSPECT, last, id_=1, band_hz=400, time_s=611.0),
        event(RingState.CLEARED, last, id_=1, band_hz=400, time_s=613.5),
    ]


def _howl(channels: int) -> list[RingEvent]:
    """Return one howl that the singer's microphone, its mix and two bystanders hear."""
    mix = 25 if channels >= 25 else None
    name = NAMES[_VOX - 1]
    mix_name = None if mix is None else NAMES[mix - 1]
    alert = Alert(3, _VOX, name, _VOX, mix, name, mix_name, "centre wedge")
    heard = (
        (RingState.SUSPECT, _VOX, 3, 752.6),
        (RingState.RINGING, _VOX, 3, 753.2),
        (RingState.RINGING, mix, 5, 753.3),
        (RingState.SUSPECT, _VOX + 1, 6, 753.5),
        (RingState.RINGING, 11, 7, 753.6),
        (RingState.HOWLING, _VOX, 3, 754.0),
    )
    return [
        replace(event(state, channel, id_=id_, time_s=at_s), alert=alert)
        for state, channel, id_, at_s in heard
        if channel is not None and channel <= channels
    ]


def stories(channels: int) -> dict[str, list[RingEvent]]:
    """Return the events that lead to each of `MOMENTS`."""
    suspect = event(RingState.SUSPECT, _VOX, time_s=752.6)
    ringing = event(RingState.RINGING, _VOX, time_s=753.2)
    other = event(RingState.SUSPECT, min(channels, _FIDDLE), id_=4, band_hz=630, time_s=753.8)
    return {
        "calm": [],
        "no-input": [],
        "suspect": [suspect],
        "ringing": [suspect, other, ringing],
        "at-cap": [with_sheet(told, _WEAK) for told in (suspect, ringing)],
        "howling": [other, *_howl(channels)],
        "cleared": [suspect, ringing, event(RingState.CLEARED, _VOX, time_s=755.0)],
    }
