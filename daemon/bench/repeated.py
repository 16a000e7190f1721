"""A programme that goes round and round: noise on every channel, a howl now and then somewhere.

For what takes long or must be timed, not for quality: every howl is the same kind, and each is
where its seed put it. Memory holds one round only.
"""

import time
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from prehowl.daemon.sources.base import Block, SourceHealth

ROUND_S = 8.0
HOWL_S = 1.6
HOWLS_A_ROUND = 12
ROOM_HZ = 250.0
"""From here on the noise of a stage falls, roughly. Common experience, no source; white noise is
full of peaks in the highest octave, and costs the engine a third more."""
NOISE_DBFS = -50.0
START_DBFS, LIMIT_DBFS = -60.0, -14.0
GROWTH_DB_PER_S = 60.0


def one_round(
    channels: int,
    rate_hz: int,
    seed: int,
    *,
    howls: int = HOWLS_A_ROUND,
    corner_hz: float | None = ROOM_HZ,
) -> NDArray[np.float32]:
    """Return one round, shape (samples, channels).

    Parameters
    ----------
    channels, rate_hz, seed : int
    howls : int
        How many begin in it, at even distances, each on a channel drawn from the seed.
    corner_hz : float or None
        From here on the noise falls by 6 dB an octave; None: white.
    """
    rng = np.random.default_rng(seed)
    count = round(ROUND_S * rate_hz)
    sound = rng.standard_normal((count, channels), dtype=np.float32)
    if corner_hz is not None:
        sound = _falling(sound, corner_hz / rate_hz)
    sound *= np.float32(10 ** (NOISE_DBFS / 20))
    time_s = np.arange(round(HOWL_S * rate_hz)) / rate_hz
    level_db = np.minimum(START_DBFS + GROWTH_DB_PER_S * time_s, LIMIT_DBFS)
    for start_s in howl_starts_s(howls):
        hz = float(np.exp(rng.uniform(np.log(200), np.log(8000))))
        first = round(start_s * rate_hz)
        tone = 10 ** (level_db / 20) * np.sin(2 * np.pi * hz * time_s)
        sound[first : first + len(tone), int(rng.integers(channels))] += tone.astype(np.float32)
    return np.clip(sound, -1, 1)


def howl_starts_s(howls: int) -> list[float]:
    """Return when in a round the howls begin."""
    return [n * (ROUND_S - HOWL_S) / howls for n in range(howls)]


def _falling(noise: NDArray[np.float32], corner: float) -> NDArray[np.float32]:
    """Return white noise through a first-order low-pass, corner in cycles a sample.

    As strong as before: a pole p raises the power to 1 / (1 - p^2) of it (closed form).
    """
    pole = np.exp(-2 * np.pi * corner)
    gain = np.sqrt(1 - pole**2)
    fallen: NDArray[np.float32] = lfilter([gain], [1, -pole], noise, axis=0).astype(np.float32)
    return fallen


@dataclass(frozen=True, slots=True)
class Gap:
    """How often a source goes away, and how much is lost each time."""

    every_s: float
    lost_s: float


class RepeatedSource:
    """Rounds in blocks, for so many seconds; at their own pace or as fast as they are taken.

    A `Source`. With `is_live` a block is handed out when its last sample would have been played,
    as a device does; `handed_ns` tells when that was. With a gap the source goes away every so
    often and comes back, as after a pulled cable: what was missed is told as lost.
    """

    def __init__(
        self,
        sound: NDArray[np.float32],
        rate_hz: int,
        seconds: float,
        *,
        block_length: int,
        is_live: bool,
        gap: Gap | None = None,
    ) -> None:
        self._sound, self._rate_hz = sound, rate_hz
        self._left = round(seconds * rate_hz)
        self._gap = gap
        self._next_gap = round(gap.every_s * rate_hz) if gap else 0
        self._lost = 0
        self._length = block_length
        self._at = 0  # samples so far
        self._start_ns = time.monotonic_ns()
        self._is_live = is_live
        self.handed_ns: list[int] = []
        """Live: monotonic clock at which each block was handed out."""

    @property
    def rate_hz(self) -> int:
        """Samples per second."""
        return self._rate_hz

    @property
    def channels(self) -> int:
        """Number of channels."""
        return int(self._sound.shape[1])

    @property
    def names(self) -> tuple[str, ...]:
        """Name every channel by its number."""
        return tuple(f"Ch {n + 1}" for n in range(self.channels))

    def read(self) -> Block | None:
        """Return the next block; None at the end."""
        if self._left == 0:
            return None
        count = min(self._length, self._left, self._until_gap())
        if count == 0:
            return self._come_back()
        samples = self._piece(count)
        self._go_on(count)
        if self._is_live:
            self._wait()
        return Block(samples)

    def health(self) -> SourceHealth:
        """Return the state."""
        return SourceHealth("running" if self._left else "ended", lost_samples=self._lost)

    def close(self) -> None:
        """End it."""
        self._left = 0

    def _until_gap(self) -> int:
        """Return the samples up to the next gap."""
        if self._gap is None:
            return self._left
        return self._next_gap - self._at

    def _come_back(self) -> Block:
        """Be back after a gap."""
        assert self._gap is not None
        lost = min(round(self._gap.lost_s * self._rate_hz), self._left)
        self._go_on(lost)
        self._lost += lost
        self._next_gap = self._at + round(self._gap.every_s * self._rate_hz)
        return Block(np.zeros((0, self.channels), np.float32), lost)

    def _go_on(self, count: int) -> None:
        self._at += count
        self._left -= count

    def _piece(self, count: int) -> NDArray[np.float32]:
        """Return the next samples; where the round does not end among them, without a copy."""
        first = self._at % len(self._sound)
        if first + count <= len(self._sound):
            return self._sound[first : first + count]
        return np.take(self._sound, range(first, first + count), axis=0, mode="wrap")

    def _wait(self) -> None:
        due_ns = self._start_ns + self._at * 1_000_000_000 // self._rate_hz
        while (left_ns := due_ns - time.monotonic_ns()) > 0:
            time.sleep(min(left_ns / 1e9, 0.05))
        self.handed_ns.append(time.monotonic_ns())
