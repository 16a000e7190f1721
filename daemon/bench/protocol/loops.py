"""The loops of the published protocols: a room of a second, speech or music, a gain that rises.

After Mounir, Bernardi & van Waterschoot 2025 (read in full): 16 kHz, excerpts of 20 s at one RMS,
white noise 40 dB below, room responses of 1 s scaled so that 10 dB of gain are the limit. Ours: the
sound (recordings of the bench's catalogue), and the rooms, modelled by image sources with a noise
tail where theirs were measured. Loops with none or several howls, which theirs dropped by ear, are
dropped here by the path and by the ring's own level.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt

from prehowl.daemon.bench import material, paths, ringlevel
from prehowl.daemon.bench.material import Excerpt
from prehowl.daemon.bench.plants import AUDIBLE_MARGIN_DB
from prehowl.daemon.stage import truth
from prehowl.daemon.stage.closed_loop import simulate_loops

Real = NDArray[np.float64]

RATE_HZ = 16000
KINDS = ("speech", "music")
"""The protocol's two materials, and the catalogue's families of recordings."""
RMS_DBFS = -26.0
NOISE_DB = -40.0
LIMIT_DB = 10.0
CEILING_DBFS = 12.0
"""Of the amplifier: out of the way until a howl has long been full-blown."""
TAPS_S = 1.0
COLOUR_HZ = (150.0, 3500.0)
"""Loudspeaker and microphone together: most howls lie between 200 Hz and 5 kHz (Braun 2012,
abstract only)."""
LONE_DB = 1.0
"""How far the next candidate, two analysis bins away or more, must stay below the strongest."""
LONE_HZ = 32.0
HEARD_DB = 15.0
"""A ring that never comes so near to the programme's RMS has not howled: dropped."""


@dataclass(frozen=True, slots=True)
class Order:
    """One loop before anything is computed."""

    kind: str  # speech or music
    excerpt: Excerpt
    seed: int


@dataclass(frozen=True, slots=True)
class Loop:
    """One simulated loop at the microphone."""

    kind: str
    name: str
    samples: NDArray[np.float32]  # (samples,)
    modes_hz: tuple[float, ...]  # those that a gain of 3 dB more would ring, strongest first
    is_heard: bool  # the ring came near enough to the programme

    @property
    def howl_hz(self) -> float:
        """Where it howls at the limit, by Nyquist's condition."""
        return self.modes_hz[0]


def orders(split: str, files: int, seed: int, seconds: float) -> list[Order]:
    """Draw the loops of a run, `files` of each kind where the catalogue has so many.

    Raises
    ------
    LookupError
        If there is no recording of a kind at all.
    """
    drawn = []
    for kind in KINDS:
        # Many pieces are shorter than an excerpt, and the group's other families are left out.
        planned = material.plan(split, 10 * files * seconds / 60, seed, [kind], seconds)
        whole = [e for e in planned if e.piece.family == kind and e.seconds >= seconds]
        excerpts = whole[:files]
        if not excerpts:
            raise LookupError(f"no recorded {kind} here; install the packages of .ci/apt-packages")
        drawn += [
            Order(kind, e, material.seed_of("protocol", kind, seed, k) % 2**32)
            for k, e in enumerate(excerpts)
        ]
    return drawn


def simulate(
    batch: Sequence[Order], gain_over_limit_db: Callable[[int], Real]
) -> tuple[list[Loop], Real]:
    """Simulate loops side by side.

    Parameters
    ----------
    batch : sequence of Order
        Excerpts of one length.
    gain_over_limit_db : callable
        Given a number of samples, returns the gain against the limit at each, dB.

    Returns
    -------
    loops : list of Loop
    gain : ndarray, shape (samples,)
        What `gain_over_limit_db` returned.
    """
    sound = np.stack([_sound(order) for order in batch])
    rooms = [room(np.random.default_rng(order.seed)) for order in batch]
    gain = gain_over_limit_db(sound.shape[1])
    mic, _ = simulate_loops(
        sound, paths.padded([taps for taps, _ in rooms]), gain + LIMIT_DB, limiter_dbfs=CEILING_DBFS
    )
    return [
        Loop(
            order.kind,
            order.excerpt.name,
            np.clip(heard, -1, 1).astype(np.float32),
            modes_hz,
            _is_heard(heard - own, own, modes_hz[0]),
        )
        for order, heard, own, (_, modes_hz) in zip(batch, mic, sound, rooms, strict=True)
    ], gain


def _sound(order: Order) -> Real:
    raw = material.render(order.excerpt, RATE_HZ).astype(np.float64)
    rms = max(1e-6, float(np.sqrt(np.mean(np.square(raw)))))
    level = 10 ** (RMS_DBFS / 20) / np.sqrt(2)
    hiss = np.random.default_rng(order.seed + 1).normal(size=len(raw))
    return np.asarray(level * (raw / rms + 10 ** (NOISE_DB / 20) * hiss))


def _is_heard(returned: Real, own: Real, howl_hz: float) -> bool:
    _, level = ringlevel.level_of(returned, howl_hz, 0.0, RATE_HZ)
    rms_db = 10 * np.log10(2 * float(np.mean(np.square(own))))
    # The middle of the last five seconds: one loud second of programme is not a ring.
    return bool(np.median(level[-5000:]) > rms_db - HEARD_DB)


def room(rng: np.random.Generator) -> tuple[Real, tuple[float, ...]]:
    """Draw a response of one second whose loop has one howl, and say where.

    Returns
    -------
    taps : ndarray, shape (16000,)
        With the limit at `LIMIT_DB` of gain.
    modes_hz : tuple of float
        Where the phase is 0 mod 360 degrees and the gain is greatest, and the others there that are
        less than `AUDIBLE_MARGIN_DB` under it.
    """
    while True:
        taps = _response(rng)
        hz, path_db = truth.phase_true(taps, RATE_HZ)
        others = path_db[np.abs(hz - hz[0]) >= LONE_HZ]
        lone = not len(others) or others[0] < path_db[0] - LONE_DB
        if lone and 100 < hz[0] < 7500:
            near = hz[path_db > path_db[0] - AUDIBLE_MARGIN_DB]
            return taps * 10 ** (-(path_db[0] + LIMIT_DB) / 20), tuple(near.tolist())


def _response(rng: np.random.Generator) -> Real:
    """Return a room of image sources, 5 ms of electronics before and a decaying tail behind."""
    early = paths.room_response(rng, RATE_HZ)
    taps = np.zeros(int(TAPS_S * RATE_HZ))
    begin = int(0.005 * RATE_HZ)
    taps[begin : begin + len(early)] = early
    joint = begin + len(early)
    loud = float(np.sqrt(np.mean(np.square(early[-len(early) // 4 :]))))
    time_s = np.arange(len(taps) - joint) / RATE_HZ
    tail = rng.normal(size=len(time_s)) * 10 ** (-3 * time_s / rng.uniform(0.4, 0.9))
    taps[joint:] = loud * tail
    colour = butter(1, COLOUR_HZ, "bandpass", fs=RATE_HZ, output="sos")
    return np.asarray(sosfilt(colour, taps))
