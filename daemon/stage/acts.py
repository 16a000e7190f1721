"""One act of the invented festival: who stands where, who plays, what the engineer set up.

Owns the cast. The names are invented. Send levels come from a ring-out on the loop itself: each
mix is brought up until a chosen margin is left, whatever frequency that turns out to depend on.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.stage.band import some_song
from prehowl.daemon.stage.faders import OFF_DB
from prehowl.daemon.stage.gear import Microphone, Wedge, some_resonances
from prehowl.daemon.stage.programme import Part, Programme
from prehowl.daemon.stage.stage import LoopState, Rig, Stage
from prehowl.daemon.stage.stage_truth import margin_db, raised, reach_db
from prehowl.daemon.stage.voices import Voice

Real = NDArray[np.float64]
Place = tuple[float, float, float]

MICROPHONES = (
    "Vox centre",
    "Vox left",
    "Vox right",
    "Vox drums",
    "Guitar",
    "Snare",
    "Acoustic",
    "Talk mic",
)
MIXES = ("Mix centre", "Mix left", "Mix right", "Mix drums")
PLAYBACK = "Playback"
CHANNELS = (*MICROPHONES, *MIXES, PLAYBACK)
TALK = MICROPHONES.index("Talk mic")
SINGERS = (0, 1, 2, 3)  # each stands before the mix of the same index

ACTS = (
    "Otter Semaphore",
    "The Velvet Gearbox",
    "Marrow & Thimble",
    "Tuesday Cartographers",
    "Plum Avalanche",
    "Low Tide Ministry",
    "Nine Small Engines",
    "Aunt Vortex",
)

MARGIN_DB = 5.0
"""What the ring-out leaves in hand on each mix; trade practice leaves 3 to 10 dB."""

X = OFF_DB
SENDS_DB = np.array(
    [
        # centre, left, right, drums, guitar, snare, acoustic, talk
        [0.0, -9.0, -9.0, -14.0, -20.0, X, -14.0, -8.0],
        [-8.0, 0.0, -12.0, -14.0, -16.0, X, -14.0, X],
        [-8.0, -12.0, 0.0, -14.0, -20.0, X, -10.0, -6.0],
        [-10.0, -12.0, -12.0, 0.0, -16.0, -20.0, -16.0, X],
    ]
)
"""Who hears whom, before each mix is brought up as a whole."""


@dataclass(frozen=True, slots=True)
class Act:
    """An act ready to play."""

    name: str
    stage: Stage
    programme: Programme
    base_send_db: Real  # (mixes, microphones) as the engineer left them after the ring-out
    playback_in_mixes: Real  # (mixes,) linear


def make_act(number: int, rate_hz: int, seed: int) -> Act:
    """Set up the act of that number (from 0); wedges stay the same all day, the rest changes."""
    day = np.random.default_rng([seed, 0])
    rng = np.random.default_rng([seed, 1, number])
    wedges = tuple(_wedge(place, facing, day) for place, facing in _WEDGES)
    electronics_s = tuple(float(s) for s in day.uniform(0.0027, 0.0038, len(wedges)))
    rig = Rig(_microphones(rng), wedges, electronics_s)
    stage = Stage(rig, rate_hz, int(rng.integers(2**31)))
    base = ring_out(stage.loop_state(), rate_hz, SENDS_DB, MARGIN_DB)
    for (mix, ch), level_db in np.ndenumerate(base):
        stage.sends.move((mix, ch), float(level_db), 0.0)
    stage.sends.next(1)
    return Act(
        name=ACTS[number % len(ACTS)],
        stage=stage,
        programme=_programme(rng, rate_hz),
        base_send_db=base,
        playback_in_mixes=10 ** (np.array([-16.0, -18.0, -16.0, -12.0]) / 20),
    )


def ring_out(state: LoopState, rate_hz: float, sends_db: Real, left_db: float) -> Real:
    """Return send levels in dB that leave so much in hand with every mix open.

    Each mix is brought up alone on top of those before it, then all go down together, since open
    microphones that hear each other's wedges lower the common limit.
    """
    levels_db = np.full_like(sends_db, OFF_DB)
    for mix in range(len(sends_db)):
        levels_db[mix] = sends_db[mix]
        channels = np.flatnonzero(sends_db[mix] > OFF_DB)
        so_far = LoopState(state.taps, state.sections, levels_db)
        lift = reach_db(so_far, rate_hz, mix, channels.tolist()) - left_db
        levels_db[mix, channels] += lift
    together = LoopState(state.taps, state.sections, levels_db)
    return raised(together, margin_db(together, rate_hz) - left_db).send_db


def dropped_before(wedge: Wedge, microphone: Microphone) -> Microphone:
    """Return the microphone as it lies on the floor beside a wedge's front, facing it."""
    x, y, _ = wedge.place_m
    away = 0.55 * np.sign(wedge.facing[1])
    place = (x + 0.15, y + float(away), 0.05)
    facing = (-0.15, -float(away), 0.2)
    return Microphone(
        place_m=place,
        facing=facing,
        pattern=microphone.pattern,
        presence_hz=microphone.presence_hz,
        presence_db=microphone.presence_db,
        low_cut_hz=microphone.low_cut_hz,
        cavity_hz=microphone.cavity_hz,
        cavity_db=microphone.cavity_db,
    )


_WEDGES: tuple[tuple[Place, Place], ...] = (
    ((0.0, 1.0, 0.25), (0.0, 0.7, 0.75)),
    ((-2.6, 1.0, 0.25), (0.0, 0.7, 0.75)),
    ((2.6, 1.0, 0.25), (0.0, 0.7, 0.75)),
    ((1.3, 4.7, 0.3), (-0.8, 0.5, 0.6)),
)


def _wedge(place: Place, facing: Place, rng: np.random.Generator) -> Wedge:
    return Wedge(place, facing, some_resonances(rng))


def _microphones(rng: np.random.Generator) -> tuple[Microphone, ...]:
    places: tuple[tuple[Place, Place], ...] = (
        ((0.0, 2.1, 1.58), (0.0, 1.0, 0.1)),
        ((-2.6, 2.0, 1.62), (0.0, 1.0, 0.1)),
        ((2.6, 2.1, 1.55), (0.0, 1.0, 0.1)),
        ((0.2, 5.2, 1.25), (-0.5, 0.8, 0.1)),
        ((-3.2, 4.6, 0.5), (0.0, 1.0, 0.0)),
        ((0.0, 4.8, 0.75), (0.0, 0.4, -1.0)),
        ((2.4, 2.4, 1.1), (0.0, 1.0, -0.2)),
        ((4.2, 2.0, 1.55), (0.0, 1.0, 0.1)),
    )
    return tuple(_microphone(place, facing, rng) for place, facing in places)


def _microphone(place: Place, facing: Place, rng: np.random.Generator) -> Microphone:
    x, y, z = (float(v) for v in np.array(place) + rng.uniform(-0.12, 0.12, 3))
    return Microphone(
        place_m=(x, y, z),
        facing=facing,
        pattern=str(rng.choice(["cardioid", "cardioid", "supercardioid"])),
        presence_hz=float(rng.uniform(3500, 6500)),
        presence_db=float(rng.uniform(2, 6)),
        cavity_hz=float(rng.uniform(900, 2400)),
        cavity_db=float(rng.uniform(9, 13)),
    )


def _programme(rng: np.random.Generator, rate_hz: int) -> Programme:
    parts = [_singer(ch, rng) for ch in SINGERS]
    parts += [_check(ch, rng) for ch in SINGERS[:3]]
    parts += [
        #                        vox c  l     r     d     gtr   snr   aco   talk
        Part("drums", "drums", (-28.0, -30, -30, -18, -26, -2, -30, -34)),
        Part("bass", "bass", (-30.0, -28, -32, -24, -20, -26, -32, -36)),
        Part("guitar", "plucks", (-24.0, -18, -28, -24, -1, -30, -30, -34)),
        Part("acoustic", "plucks", (-26.0, -30, -20, -34, -34, -40, -3, -30)),
        Part("pad", "pad", (X,) * 8, in_playback_db=2.0),
        Part("talker", "spoken", (-30.0, -36, -24, -40, -40, -40, -28, -12),
             voice=Voice(float(rng.uniform(105, 190))), starts_on=False),
    ]  # fmt: skip
    rooms = (0.0, 0.0, 0.0, -2.0, -10.0, -10.0, -2.0, 0.0)
    return Programme(tuple(parts), some_song(rng), rooms, rate_hz, int(rng.integers(2**31)))


def _singer(ch: int, rng: np.random.Generator) -> Part:
    levels = np.full(len(MICROPHONES), -34.0) + rng.uniform(-4, 4, len(MICROPHONES))
    levels[ch] = rng.uniform(-7, -2)
    voice = Voice(
        lowest_hz=float(rng.uniform(105, 240)),
        size=float(rng.uniform(0.97, 1.17)),
        breath=float(rng.uniform(0.03, 0.12)),
        vibrato_cents=float(rng.uniform(20, 60)),
    )
    return Part(f"singer {ch}", "sung", tuple(levels), voice=voice)


def _check(ch: int, rng: np.random.Generator) -> Part:
    levels = np.full(len(MICROPHONES), -36.0)
    levels[ch] = -6.0
    voice = Voice(float(rng.uniform(95, 200)))
    return Part(f"check {ch}", "spoken", tuple(levels), voice=voice, starts_on=False)
