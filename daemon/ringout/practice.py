"""A stage to practise on: one wedge, one microphone, one room, another every time.

Owns the choices and what is drawn from the seed. Gear is of kinds, not of products; figures are
plausible and invented, as in `prehowl.daemon.stage.gear`. How loud a room's diffuse sound is
against the direct sound follows from its volume and reverberation time.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from prehowl.daemon.stage import band
from prehowl.daemon.stage.air import Room
from prehowl.daemon.stage.faders import OFF_DB
from prehowl.daemon.stage.gear import Microphone, Wedge, some_resonances
from prehowl.daemon.stage.programme import Part, Programme
from prehowl.daemon.stage.stage import Rig, Stage

RATE_HZ = 48000
WEDGE_DIRECTIVITY = 5.0
"""Q of a wedge in the middle of its range. Common practice, no source."""
ROOM_NOISE_DB = (-12.0, -2.0)
"""Noise of the empty room in the microphone, re `programme.ROOM_DBFS`."""


@dataclass(frozen=True, slots=True)
class WedgeKind:
    """What a class of wedges shares."""

    words: str
    lowest_hz: tuple[float, float]
    highest_hz: tuple[float, float]


@dataclass(frozen=True, slots=True)
class MicrophoneKind:
    """What a class of vocal microphones shares."""

    words: str
    pattern: str
    presence_db: tuple[float, float]
    low_cut_hz: tuple[float, float]


@dataclass(frozen=True, slots=True)
class RoomKind:
    """What a class of places shares. A volume of 0 stands for the open air."""

    words: str
    volume_m3: float
    rt60_s: tuple[float, float]
    half_width_m: tuple[float, float]
    depth_m: tuple[float, float]
    height_m: tuple[float, float]
    wall_db: tuple[float, float]
    temperature_c: tuple[float, float]


WEDGES = {
    "10-inch": WedgeKind("small wedge, 10-inch cone", (85, 110), (14000, 17000)),
    "12-inch": WedgeKind("wedge, 12-inch cone", (65, 90), (14000, 17000)),
    "15-inch": WedgeKind("large wedge, 15-inch cone", (50, 70), (12500, 16500)),
}
MICROPHONES = {
    "cardioid": MicrophoneKind("cardioid vocal microphone", "cardioid", (2, 6), (80, 120)),
    "supercardioid": MicrophoneKind(
        "supercardioid vocal microphone", "supercardioid", (2, 6), (80, 120)
    ),
    "hypercardioid": MicrophoneKind(
        "hypercardioid vocal microphone", "hypercardioid", (2, 5), (80, 120)
    ),
}
ROOMS = {
    "open-air": RoomKind(
        "open-air stage", 0, (0.2, 0.3), (5, 8), (6, 10), (5, 8), (-24, -14), (10, 34)
    ),
    "bar": RoomKind("bar", 150, (0.4, 0.7), (2.5, 3.5), (3, 5), (2.6, 3.2), (-9, -5), (18, 28)),
    "club": RoomKind("club", 600, (0.6, 0.9), (3.5, 5.5), (4, 7), (3.2, 5), (-10, -6), (18, 30)),
    "hall": RoomKind("hall", 5000, (1.2, 1.8), (5, 8), (7, 11), (6, 10), (-12, -7), (17, 26)),
}
OPEN_AIR_TAIL_DB = -60.0


@dataclass(frozen=True, slots=True)
class Choice:
    """What a person may choose; None is drawn from the seed."""

    seed: int
    wedge: str | None = None
    microphone: str | None = None
    room: str | None = None


@dataclass(frozen=True, slots=True)
class Practice:
    """A stage that is set up, all down, with its words."""

    stage: Stage
    programme: Programme
    wedge: str
    microphone: str
    room: str
    distance_m: float
    temperature_c: float


def set_up(choice: Choice) -> Practice:
    """Return the stage that the choice and its seed make; the same ones make the same.

    Raises
    ------
    KeyError
        If a kind is not among `WEDGES`, `MICROPHONES`, `ROOMS`.
    """
    rng = np.random.default_rng([choice.seed, 4])
    # Drawn even where it is chosen, so that a choice changes nothing else.
    drawn = [str(rng.choice(sorted(kinds))) for kinds in (WEDGES, MICROPHONES, ROOMS)]
    wedge = choice.wedge or drawn[0]
    microphone = choice.microphone or drawn[1]
    room = choice.room or drawn[2]
    distance_m = float(rng.uniform(0.9, 1.7))  # over the floor
    there = _room(ROOMS[room], rng)
    rig = Rig(
        (_microphone(MICROPHONES[microphone], distance_m, rng),),
        (_wedge(WEDGES[wedge], rng),),
        (float(rng.uniform(0.002, 0.006)),),
        there,
    )
    seeds = rng.integers(2**31, size=2)
    return Practice(
        stage=Stage(rig, RATE_HZ, int(seeds[0])),
        programme=_programme(rng, int(seeds[1])),
        wedge=wedge,
        microphone=microphone,
        room=room,
        distance_m=distance_m,
        temperature_c=there.temperature_c,
    )


def _wedge(kind: WedgeKind, rng: np.random.Generator) -> Wedge:
    wedge = Wedge((0.0, 1.0, 0.25), (0.0, 0.7, 0.75), some_resonances(rng))
    return replace(
        wedge,
        lowest_hz=float(rng.uniform(*kind.lowest_hz)),
        highest_hz=float(rng.uniform(*kind.highest_hz)),
    )


def _microphone(kind: MicrophoneKind, distance_m: float, rng: np.random.Generator) -> Microphone:
    """On a stand at the height of a mouth, its back to the wedge, not quite straight."""
    x, z = rng.uniform(-0.2, 0.2), rng.uniform(1.45, 1.65)
    return Microphone(
        place_m=(float(x), 1.0 + distance_m, float(z)),
        facing=(float(rng.uniform(-0.2, 0.2)), 1.0, float(rng.uniform(0.0, 0.3))),
        pattern=kind.pattern,
        presence_hz=float(rng.uniform(3500, 6500)),
        presence_db=float(rng.uniform(*kind.presence_db)),
        low_cut_hz=float(rng.uniform(*kind.low_cut_hz)),
    )


def _room(kind: RoomKind, rng: np.random.Generator) -> Room:
    rt60_s = float(rng.uniform(*kind.rt60_s))
    return Room(
        half_width_m=float(rng.uniform(*kind.half_width_m)),
        depth_m=float(rng.uniform(*kind.depth_m)),
        height_m=float(rng.uniform(*kind.height_m)),
        wall_db=float(rng.uniform(*kind.wall_db)),
        tail_db=diffuse_tail_db(kind.volume_m3, rt60_s),
        tail_rt60_s=rt60_s,
        temperature_c=float(rng.uniform(*kind.temperature_c)),
        response_s=float(np.clip(0.25 * rt60_s, 0.1, 0.25)),
    )


def diffuse_tail_db(volume_m3: float, rt60_s: float) -> float:
    """Return the level of the diffuse tail's start per sample, re the direct sound at 1 m, dB.

    Notes
    -----
    Source: statistical room acoustics (textbook, from memory). At the critical distance
    0.057 sqrt(Q V / T60) the diffuse sound is as strong as the direct sound; its energy is that of
    an exponential decay, sum of p^2 10^(-6 t / T60) over the samples = p^2 rate T60 / 13.8.
    """
    if not volume_m3:
        return OPEN_AIR_TAIL_DB
    critical_m = 0.057 * math.sqrt(WEDGE_DIRECTIVITY * volume_m3 / rt60_s)
    return 10 * math.log10(13.8 / (RATE_HZ * rt60_s * critical_m**2))


def _programme(rng: np.random.Generator, seed: int) -> Programme:
    """Return the noise of an empty place; the engineer's own voice waits to be brought up."""
    talker = Part("engineer", "spoken", (-6.0,), OFF_DB, starts_on=False)
    room_db = float(rng.uniform(*ROOM_NOISE_DB))
    return Programme((talker,), band.some_song(rng), (room_db,), RATE_HZ, seed)
