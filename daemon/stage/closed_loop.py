"""Many single closed loops at once: programme in, what a microphone and a mix carry out.

Owns the plain loop of one microphone, one gain and one feedback path, batched over independent
loops, for tests and for the detection bench. What such a loop *ought* to do (limit, ring
frequency, growth) is computed from the same path in `truth`. The stage with several microphones
and wedges is `stage`.

Signal flow of each loop, sample by sample::

    mic[n] = programme[n] + sum over k of path[k] * sent[n - k]
    mix[n] = 10^(gain_db[n] / 20) * mic[n]
    sent[n] = soft_clip(mix[n])

so the loop gain is L(f) = gain * path(f), with every delay and filter in the path.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from prehowl.daemon.stage.convolver import History, Response, plan_for
from prehowl.daemon.stage.limiter import soft_clip

Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PathChange:
    """The paths become others: a band is cut, a microphone moves, a hand closes round it.

    `paths` has shape (loops, taps); `at_sample` is one sample count for all loops or one each;
    over `fade_samples` the old and the new path are cross-faded, linearly.
    """

    paths: Real
    at_sample: int | NDArray[np.int64]
    fade_samples: int = 480


def simulate_loops(
    programme: ArrayLike,
    paths: ArrayLike,
    gain_db: ArrayLike,
    *,
    limiter_dbfs: float = -3.0,
    changes: tuple[PathChange, ...] = (),
) -> tuple[Real, Real]:
    """Run independent closed loops and return their microphone and mix signals.

    Parameters
    ----------
    programme : array, shape (loops, samples)
        What reaches each microphone without feedback; full scale = 1.
    paths : array, shape (loops, taps) or (taps,)
        Feedback path from amplifier input to microphone: delays, equaliser, wedge, room. The
        shortest run of leading zeros (the loop delay) sets the speed: 5 ms is fast, 1 sample slow.
    gain_db : array, shape (loops, samples), (loops, 1) or a number
        Absolute gain from microphone to amplifier. For a gain relative to the limit add
        `truth.stability_limit_db(path)`.
    limiter_dbfs : float
        Ceiling of the amplifier, peak, dB re full scale; linear up to 6 dB below it.
    changes : tuple of PathChange
        In order of time; each must end before the next begins.

    Returns
    -------
    mic, mix : ndarray of float64, shape (loops, samples)
        Before the limiter. The mix may pass full scale; clip it where a converter would.

    Raises
    ------
    ValueError
        If shapes do not match or a path sounds at its first tap.
    """
    sound = np.atleast_2d(np.asarray(programme, np.float64))
    loops, samples = sound.shape
    gain = np.broadcast_to(np.asarray(gain_db, np.float64), (loops, samples))
    sets = [_fitted(paths, loops), *(_fitted(change.paths, loops) for change in changes)]
    loop = _Loops(sets, [_weights(change, loops) for change in changes])
    mic, mix = np.empty_like(sound), np.empty_like(sound)
    ceiling = 10 ** (limiter_dbfs / 20)
    for start, stop in loop.blocks(samples):
        mic[:, start:stop] = sound[:, start:stop] + loop.feedback(start)[:, : stop - start]
        mix[:, start:stop] = 10 ** (gain[:, start:stop] / 20) * mic[:, start:stop]
        loop.send(soft_clip(mix[:, start:stop], ceiling))
    return mic, mix


class _Loops:
    """The linear half of the loops: past sendings, path sets and the fades between them."""

    def __init__(self, sets: list[Real], fades: list[tuple[Real, int]]) -> None:
        delay = min(_delay(paths) for paths in sets)
        plan = plan_for(delay, max(paths.shape[-1] for paths in sets))
        self._block = plan.block_length
        self._history = History(plan, sets[0].shape[0], 1)
        self._responses = [Response(self._history, paths[:, None, None]) for paths in sets]
        self._fades = fades

    def blocks(self, samples: int) -> Iterator[tuple[int, int]]:
        """Yield the bounds of all blocks."""
        for start in range(0, samples, self._block):
            yield start, min(start + self._block, samples)

    def feedback(self, start: int) -> Real:
        """Return what comes back in the block at `start`, (loops, block)."""
        at = np.arange(start, start + self._block, dtype=np.float64)
        blend = self._responses[0].next()[:, 0]
        for (begin, length), response in zip(self._fades, self._responses[1:], strict=True):
            weight = np.clip((at - begin) / length, 0.0, 1.0)
            if weight.any():
                blend = blend + weight * (response.next()[:, 0] - blend)
        return blend

    def send(self, block: Real) -> None:
        """Take what the amplifiers play."""
        if block.shape[-1] < self._block:  # the last block, nothing follows
            return
        self._history.push(block[:, None])


def _fitted(paths: ArrayLike, loops: int) -> Real:
    found = np.atleast_2d(np.asarray(paths, np.float64))
    if found.ndim != 2 or found.shape[0] not in (1, loops):
        raise ValueError(
            f"paths have shape {found.shape}, the programme has {loops} loops: "
            f"give (taps,) or ({loops}, taps)"
        )
    return np.ascontiguousarray(np.broadcast_to(found, (loops, found.shape[1])))


def _weights(change: PathChange, loops: int) -> tuple[Real, int]:
    begin = np.broadcast_to(np.asarray(change.at_sample, np.float64), (loops,))[:, None]
    return begin, max(1, change.fade_samples)


def _delay(paths: Real) -> int:
    used = np.flatnonzero(np.any(paths != 0, axis=0))
    if used.size == 0:
        return max(1, int(paths.shape[-1]))  # no feedback at all: any block length will do
    if used[0] == 0:
        raise ValueError(
            "a path sounds at its first tap: a loop without delay cannot be computed; "
            "put the electronics' and the air's delay in front of it as zeros"
        )
    return int(used[0])
