"""The virtual stage: every microphone hears every wedge, every wedge plays its mix, in a loop.

Owns the linear network and its changes over time; sample-accurate, in blocks no longer than the
shortest way from an amplifier to a microphone. What people do on it is `festival`, what it ought
to do by its own loop gain is `stage_truth`.

    mic  = programme + sum over wedges of path * sent
    mix  = graphic equaliser (sum over microphones of send * mic + playback)
    sent = soft_clip(mix)

Cost: measured in docs/virtual-stage.md.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.stage.air import Room, new_tail, path_taps, shortest_delay
from prehowl.daemon.stage.convolver import History, Response, plan_for
from prehowl.daemon.stage.faders import OFF_DB, Faders, GraphicEqualiser
from prehowl.daemon.stage.gear import Microphone, Wedge
from prehowl.daemon.stage.limiter import soft_clip

Real = NDArray[np.float64]

STILL_S = 0.04
"""A moving microphone is taken as stills so far apart; between two the paths are cross-faded."""
DECORRELATION_M = 1.0
"""Moved so far, a microphone hears another diffuse tail."""


@dataclass(frozen=True, slots=True)
class Rig:
    """What stands on the stage."""

    microphones: tuple[Microphone, ...]
    wedges: tuple[Wedge, ...]
    electronics_s: tuple[float, ...]  # one per wedge, 1 to 4 ms
    room: Room = field(default_factory=Room)
    limiter_dbfs: float = -3.0


@dataclass(frozen=True, slots=True)
class LoopState:
    """Everything that the loop gain depends on, at one moment."""

    taps: Real  # (microphones, wedges, taps)
    sections: tuple[Real, ...]  # graphic equaliser of each mix
    send_db: Real  # (mixes, microphones)


@dataclass(frozen=True, slots=True)
class _Motion:
    begin: Microphone
    end: Microphone
    start: int  # sample
    samples: int

    def at(self, sample: int) -> Microphone:
        share = float(np.clip((sample - self.start) / self.samples, 0.0, 1.0))
        smooth = share * share * (3 - 2 * share)

        def between(a: tuple[float, ...], b: tuple[float, ...]) -> tuple[float, float, float]:
            x, y, z = (p + smooth * (q - p) for p, q in zip(a, b, strict=True))
            return x, y, z

        return replace(
            self.end,
            place_m=between(self.begin.place_m, self.end.place_m),
            facing=between(self.begin.facing, self.end.facing),
            cup=self.begin.cup + smooth * (self.end.cup - self.begin.cup),
        )


class Stage:
    """A rig that runs.

    Parameters
    ----------
    rig : Rig
    rate_hz : int
        Any rate; the demo uses 48 kHz.
    seed : int
        Of the diffuse tails. The same seed gives the same samples on one machine.
    """

    def __init__(self, rig: Rig, rate_hz: int, seed: int) -> None:
        self.rig, self.rate_hz = rig, rate_hz
        self.microphones = list(rig.microphones)
        mics, mixes = len(rig.microphones), len(rig.wedges)
        rng = np.random.default_rng(seed)
        self._tails = [
            [
                (new_tail(rng, rig.room, rate_hz), new_tail(rng, rig.room, rate_hz))
                for _ in rig.wedges
            ]
            for _ in rig.microphones
        ]
        self._taps = np.array([self._paths_of(ch) for ch in range(mics)])
        delay = min(shortest_delay(s, rig.room, rate_hz) for s in rig.electronics_s)
        plan = plan_for(delay, self._taps.shape[-1])
        self.block_length = plan.block_length
        self._history = History(plan, 1, mixes)
        self._response = Response(self._history, self._taps[None])
        self._coming: tuple[Response, Real, int] | None = None  # response, taps, samples faded
        self._motions: dict[int, _Motion] = {}
        self.sends = Faders(np.full((mixes, mics), OFF_DB), rate_hz)
        self.equalisers = [GraphicEqualiser(rate_hz) for _ in range(mixes)]
        self._ceiling = 10 ** (rig.limiter_dbfs / 20)
        self.now = 0  # samples done

    def move(self, ch: int, microphone: Microphone, over_s: float) -> None:
        """Let a microphone (index) become another: place, direction, hand; smoothly."""
        samples = max(1, round(over_s * self.rate_hz))
        self._motions[ch] = _Motion(self.microphones[ch], microphone, self.now, samples)

    def step(self, programme: Real, playback: Real) -> tuple[Real, Real]:
        """Advance by one block.

        Parameters
        ----------
        programme : ndarray, shape (microphones, block_length)
            What reaches each microphone channel but for the wedges.
        playback : ndarray, shape (mixes, block_length)
            What goes into each mix without a microphone.

        Returns
        -------
        mic : ndarray of float64, shape (microphones, block_length)
        mix : ndarray of float64, shape (mixes, block_length)
            After the graphic equaliser, before the amplifier's ceiling.
        """
        mic = programme + self._feedback()
        gains = self.sends.next(self.block_length)
        at_rest = gains.shape[-1] == 1
        sent = gains[..., 0] @ mic if at_rest else np.einsum("wmn,mn->wn", gains, mic)
        rows = zip(self.equalisers, sent + playback, strict=True)
        mix = np.array([equaliser.next(row) for equaliser, row in rows])
        self._history.push(soft_clip(mix, self._ceiling)[None])
        self.now += self.block_length
        return mic, mix

    def loop_state(self) -> LoopState:
        """Return what the loop gain depends on now; in a fade, the mixture of the two paths."""
        taps = self._taps
        if self._coming is not None:
            share = min(self._coming[2] / self._still, 1.0)
            taps = taps + share * (self._coming[1] - taps)
        sections = tuple(eq.sections for eq in self.equalisers)
        return LoopState(taps, sections, self.sends.now_db)

    @property
    def _still(self) -> int:
        return round(STILL_S * self.rate_hz)

    def _feedback(self) -> Real:
        """Return what the wedges bring to the microphones in the coming block."""
        if self._coming is None and self._motions:
            self._begin_still()
        block: Real = self._response.next()[0]
        if self._coming is None:
            return block
        response, taps, faded = self._coming
        weight = np.minimum((faded + np.arange(self.block_length)) / self._still, 1.0)
        block = block + weight * (response.next()[0] - block)
        faded += self.block_length
        self._coming = (response, taps, faded)
        if faded >= self._still:
            self._response, self._taps, self._coming = response, taps, None
        return block

    def _begin_still(self) -> None:
        """Take the next picture of all moving microphones and begin to fade to it."""
        taps = self._taps.copy()
        then = self.now + self._still
        for ch, motion in list(self._motions.items()):
            self.microphones[ch] = motion.at(then)
            taps[ch] = self._paths_of(ch)
            if then >= motion.start + motion.samples:
                del self._motions[ch]
        self._coming = (Response(self._history, taps[None]), taps, 0)

    def _paths_of(self, ch: int) -> Real:
        """Return the paths from every wedge to one microphone, (wedges, taps)."""
        here = self.microphones[ch]
        moved = np.linalg.norm(np.subtract(here.place_m, self.rig.microphones[ch].place_m))
        turn = float(moved) / DECORRELATION_M * np.pi / 2
        paths: Sequence[Real] = [
            path_taps(
                here,
                wedge,
                self.rig.room,
                electronics_s=electronics_s,
                rate_hz=self.rate_hz,
                tail=np.cos(turn) * still + np.sin(turn) * other,
            )
            for wedge, electronics_s, (still, other) in zip(
                self.rig.wedges, self.rig.electronics_s, self._tails[ch], strict=True
            )
        ]
        return np.array(paths)
