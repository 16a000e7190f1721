"""The air between a wedge and a microphone: delay, distance, angles, walls and a diffuse tail.

Owns the impulse response of one acoustic path, the microphone's and the wedge's colours included,
the electronics' delay in front. First-order image sources of a box-shaped stage make the discrete
echoes (Allen & Berkley, J. Acoust. Soc. Am. 65(4), 1979; from memory), a seeded exponential noise
the rest of the room.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from prehowl.daemon.stage.filters import apply
from prehowl.daemon.stage.gear import Microphone, Wedge
from prehowl.detectors.loop import speed_of_sound

Real = NDArray[np.float64]

SPLIT_HZ = (350.0, 4000.0)
"""Where lows end and highs begin for a microphone's pattern."""
WEDGE_SPLIT_HZ = 2500.0
"""Above this a wedge's horn beams: off its axis the highs fall away."""
KERNEL = 16
"""Half-length in samples of the fractional delay's windowed sinc."""
NEAREST_M = 0.35
"""No capsule comes nearer to a wedge's acoustic centre: the box is in the way."""


@dataclass(frozen=True, slots=True)
class Room:
    """A box-shaped stage: x left to right, y audience to back, z up; origin front centre."""

    half_width_m: float = 6.0
    depth_m: float = 8.0
    height_m: float = 6.0
    wall_db: float = -8.0  # of each reflection: drapes and scaffolding, not concrete
    tail_db: float = -34.0  # of the diffuse tail at its start, re the direct sound at 1 m
    tail_rt60_s: float = 0.35
    temperature_c: float = 24.0
    response_s: float = 0.1  # where the impulse response is faded out

    def images(self, place: Real) -> list[tuple[Real, Real, float]]:
        """Return (image place, mirror factors, gain) of the source itself and of five walls."""
        walls = (
            (0, -self.half_width_m),
            (0, self.half_width_m),
            (1, self.depth_m),
            (2, self.height_m),
            (2, 0.0),
        )
        found: list[tuple[Real, Real, float]] = [(place, np.ones(3), 1.0)]
        for axis, at in walls:
            mirrored, mirror = place.copy(), np.ones(3)
            mirrored[axis], mirror[axis] = 2 * at - place[axis], -1.0
            found.append((mirrored, mirror, 10 ** (self.wall_db / 20)))
        return found


@dataclass(frozen=True, slots=True)
class _Arrival:
    delay_s: float
    gain: float
    pattern: Real  # (3,) lows, mids, highs
    beam: float  # share of the highs that the wedge sends this way, 0..1


def path_taps(
    microphone: Microphone,
    wedge: Wedge,
    room: Room,
    *,
    electronics_s: float,
    rate_hz: float,
    tail: Real,
) -> Real:
    """Return the impulse response from amplifier input to microphone channel.

    Parameters
    ----------
    microphone, wedge, room
        As they are now.
    electronics_s : float
        Converters, desk, radio and amplifier; a pure delay, seconds.
    rate_hz : float
    tail : ndarray, shape (taps,)
        White noise of unit variance: the seed of the diffuse tail, another for each path.

    Returns
    -------
    ndarray of float64, shape (taps,)
        Length of `tail`; at 1 m on both axes the wedge's strength, before the colours.
    """
    parts = np.zeros((2, 3, tail.size))  # (wedge lows and highs) x (pattern lows, mids, highs)
    for arrival in _arrivals(microphone, wedge, room):
        at = (electronics_s + arrival.delay_s) * rate_hz
        pulse = arrival.gain * arrival.pattern[:, None] * _delayed(at)
        start = int(at) - KERNEL + 1
        room_left = slice(start, start + pulse.shape[1])
        if start + pulse.shape[1] <= tail.size:
            parts[0, :, room_left] += pulse
            parts[1, :, room_left] += arrival.beam * pulse
    dry = _three_bands(_two_bands(parts, rate_hz), rate_hz)
    wet = _diffuse(microphone, wedge, room, electronics_s, rate_hz, tail)
    coloured = apply(microphone.colour(rate_hz), apply(wedge.colour(rate_hz), dry + wet))
    return 10 ** (wedge.strength_db / 20) * coloured * _fade_out(tail.size)


def shortest_delay(electronics_s: float, room: Room, rate_hz: float) -> int:
    """Return the samples before which no path can sound, the fractional delay's skirt included."""
    air_s = NEAREST_M / speed_of_sound(room.temperature_c)
    return int((electronics_s + air_s) * rate_hz) - KERNEL


def new_tail(rng: np.random.Generator, room: Room, rate_hz: float) -> Real:
    """Draw the noise for one path's diffuse tail, as long as the responses of this room."""
    return rng.standard_normal(int(room.response_s * rate_hz))


def _arrivals(microphone: Microphone, wedge: Wedge, room: Room) -> list[_Arrival]:
    ear = np.array(microphone.place_m, float)
    facing, aim = _unit(np.array(microphone.facing)), _unit(np.array(wedge.facing))
    shares = microphone.shares()
    found = []
    for place, mirror, gain in room.images(np.array(wedge.place_m, float)):
        if place[2] == 0.0 and gain < 1.0:
            continue  # a wedge on the floor is its own image
        away = ear - place
        distance = max(float(np.linalg.norm(away)), NEAREST_M)
        cosine = float(-_unit(away) @ facing)
        found.append(
            _Arrival(
                distance / speed_of_sound(room.temperature_c),
                gain / distance,
                shares + (1 - shares) * cosine,
                _beam(float(_unit(away) @ (aim * mirror))),
            )
        )
    return found


def _beam(cosine: float) -> float:
    """Return the wedge's treble by angle: full within some 30 degrees, -20 dB behind."""
    return float(0.1 + 0.9 * np.clip((cosine + 0.2) / 1.05, 0.0, 1.0) ** 1.5)


def _unit(vector: Real) -> Real:
    return np.asarray(vector / max(float(np.linalg.norm(vector)), 1e-9))


def _delayed(at: float) -> Real:
    """Return a unit pulse delayed by the fraction of `at`, on 2 KERNEL samples (Hann sinc)."""
    x = np.arange(2 * KERNEL) - (KERNEL - 1) - (at - int(at))
    return np.asarray(np.sinc(x) * np.cos(np.pi * np.clip(x / (2 * KERNEL), -0.5, 0.5)) ** 2)


def _low(samples: Real, corner_hz: float, rate_hz: float) -> Real:
    """Apply a first-order low pass; what it takes away is the matching high pass."""
    keep = np.exp(-2 * np.pi * corner_hz / rate_hz)
    return np.asarray(lfilter([1 - keep], [1, -keep], samples))


def _two_bands(parts: Real, rate_hz: float) -> Real:
    """Join the wedge's lows (first row) with its highs (second row)."""
    lows = _low(parts, WEDGE_SPLIT_HZ, rate_hz)
    return np.asarray(lows[0] + parts[1] - lows[1])


def _three_bands(parts: Real, rate_hz: float) -> Real:
    """Join lows, mids and highs, each seen through its own pattern; a flat pattern stays flat."""
    lows = _low(parts, SPLIT_HZ[0], rate_hz)
    up_to_mids = _low(parts, SPLIT_HZ[1], rate_hz)
    return np.asarray(lows[0] + (up_to_mids[1] - lows[1]) + (parts[2] - up_to_mids[2]))


def _diffuse(
    microphone: Microphone,
    wedge: Wedge,
    room: Room,
    electronics_s: float,
    rate_hz: float,
    tail: Real,
) -> Real:
    """Return the diffuse tail: exponential, darker than the source, from 8 ms after the direct.

    A first-order pattern picks up a^2 + (1 - a)^2 / 3 of diffuse power (textbook random energy
    efficiency), so a cupped microphone hears more of the room.
    """
    distance = float(np.linalg.norm(np.array(microphone.place_m) - np.array(wedge.place_m)))
    begin_s = electronics_s + distance / speed_of_sound(room.temperature_c) + 0.008
    since_s = np.arange(tail.size) / rate_hz - begin_s
    envelope = np.where(since_s > 0, 10 ** (-3 * np.maximum(since_s, 0) / room.tail_rt60_s), 0.0)
    share = float(microphone.shares()[1])
    heard = np.sqrt(share**2 + (1 - share) ** 2 / 3)
    return np.asarray(10 ** (room.tail_db / 20) * heard * _low(envelope * tail, 3500.0, rate_hz))


def _fade_out(taps: int) -> Real:
    shape = np.ones(taps)
    length = taps // 4
    shape[-length:] = 0.5 + 0.5 * np.cos(np.pi * (np.arange(length) + 1) / length)
    return shape
