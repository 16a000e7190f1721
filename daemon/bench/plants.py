"""The physics of each kind of case: paths, gain over time, when the limit is passed, which poles.

Gains are in dB over the limit of the first path (paths are scaled so that the limit is 0 dB).
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.bench import paths
from prehowl.daemon.bench.paths import Path
from prehowl.daemon.bench.specs import MARGIN_DB, Spec
from prehowl.daemon.stage import truth

Real = NDArray[np.float64]

LEAD_IN_S = 3.0
FADE_S = {"cupped": 0.1, "lowered": 1.5, "cut": 0.03}
"""How long a path takes to become another, by kind."""
AUDIBLE_MARGIN_DB = 3.0
"""Modes within this of the limit are real rings too: an alarm there is not a wrong one."""


@dataclass(frozen=True, slots=True)
class Plant:
    """One case's loop."""

    before: Real  # (taps,)
    gain_db: Real  # (samples,), over the limit of the first path
    rings: tuple[truth.Mode, ...]  # those that must be alarmed, at the final gain
    crossings_s: tuple[float, ...]  # when each passes its limit; of a held loop: hold begins
    real_hz: tuple[float, ...]  # every frequency at which this loop may truly ring
    after: Real | None = None
    change_s: float = 0.0
    pull_s: float | None = None  # when something is done against the howl
    headroom_db: float = 24.0  # amplifier's ceiling over the programme's RMS
    pole_path: Path | None = None  # where growth at another gain is computed

    def loop_at(self, kind: str, time_s: float, rate_hz: int) -> tuple[Real, float]:
        """Return the path in force at a time of a case of this kind, and the gain in dB."""
        gain = float(self.gain_db[min(len(self.gain_db) - 1, int(time_s * rate_hz))])
        if self.after is None or time_s <= self.change_s:
            return self.before, gain
        share = min(1.0, (time_s - self.change_s) / FADE_S[kind])
        pair = paths.padded([self.before, self.after])
        return (1 - share) * pair[0] + share * pair[1], gain


def draw_plant(spec: Spec, rate_hz: int) -> Plant:
    """Draw the loop of a case."""
    rng = np.random.default_rng(spec.seed + 2)
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        return _MAKERS[spec.kind](spec, rng, rate_hz)


def _path(spec: Spec, rng: np.random.Generator, ring_hz: float, rate_hz: int) -> Path:
    longest_s = 0.006 if spec.growth_db_per_s > 150 else 0.02
    return paths.draw(rng, spec.shape, ring_hz, longest_s, rate_hz)


def _track(spec: Spec, points: list[tuple[float, float]], rate_hz: int) -> Real:
    """Return gain in dB per sample through (seconds, dB) points, straight between them."""
    time_s = np.arange(int(spec.seconds * rate_hz)) / rate_hz
    return np.interp(time_s, [at for at, _ in points], [level for _, level in points])


def _passes(gain_db: Real, limit_db: float, rate_hz: int) -> float:
    return float(np.argmax(gain_db > limit_db) / rate_hz)


def _real(modes: list[truth.Mode]) -> tuple[float, ...]:
    return tuple(m.frequency_hz for m in modes if m.loop_gain_db > -AUDIBLE_MARGIN_DB)


def _risen(
    spec: Spec,
    rng: np.random.Generator,
    rate_hz: int,
    points: Callable[[float, float], list[tuple[float, float]]],
) -> Plant:
    """Make the plant of one path whose gain goes through points(time of the act, excess)."""
    path = _path(spec, rng, spec.ring_hz, rate_hz)
    excess = paths.excess_for_growth(path, spec.growth_db_per_s, rate_hz)
    at = LEAD_IN_S + rng.uniform(0, 0.7)
    gain = _track(spec, points(at, excess), rate_hz)
    modes = path.modes(excess, rate_hz)
    return Plant(
        before=path.taps,
        gain_db=gain,
        rings=(modes[0],),
        crossings_s=(_passes(gain, 0.0, rate_hz),),
        real_hz=_real(modes),
        headroom_db=float(rng.uniform(18, 30) + 20 * (spec.programme == "quiet")),
        pole_path=path,
    )


def _ramp(spec: Spec, rng: np.random.Generator, rate_hz: int) -> Plant:
    speed = float(np.exp(rng.uniform(np.log(0.4), np.log(6.0))))
    start = -min(3.0, 1.5 * speed)
    return _risen(
        spec, rng, rate_hz, lambda at, e: [(at - 1, start), (at - 1 + (e - start) / speed, e)]
    )


def _step(spec: Spec, rng: np.random.Generator, rate_hz: int) -> Plant:
    start = -float(rng.uniform(1.5, 6))
    return _risen(spec, rng, rate_hz, lambda at, e: [(at, start), (at + 0.02, e)])


def _pulled(spec: Spec, rng: np.random.Generator, rate_hz: int) -> Plant:
    start, down = -float(rng.uniform(1.5, 6)), -float(rng.uniform(2, 10))
    held, fade = 55 / spec.growth_db_per_s + rng.uniform(0.3, 0.8), float(rng.uniform(0.05, 0.3))
    made = _risen(
        spec,
        rng,
        rate_hz,
        lambda at, e: [(at, start), (at + 0.02, e), (at + held, e), (at + held + fade, down)],
    )
    return replace(made, pull_s=made.crossings_s[0] + held)


def _limited(spec: Spec, rng: np.random.Generator, rate_hz: int) -> Plant:
    return replace(_step(spec, rng, rate_hz), headroom_db=float(rng.uniform(2, 9)))


def _held(spec: Spec, rng: np.random.Generator, rate_hz: int) -> Plant:
    path = _path(spec, rng, spec.ring_hz, rate_hz)
    margin = float(rng.uniform(*MARGIN_DB[spec.kind]))
    at = LEAD_IN_S + rng.uniform(0, 0.7)
    gain = _track(spec, [(at, -8.0), (at + 0.3, -margin)], rate_hz)
    modes = path.modes(-margin, rate_hz)
    real = tuple(m.frequency_hz for m in modes if m.loop_gain_db > -6)
    return Plant(path.taps, gain, (modes[0],), (at + 0.3,), real)


def _cut(spec: Spec, rng: np.random.Generator, rate_hz: int) -> Plant:
    made = _step(spec, rng, rate_hz)
    gain, ring_hz = float(made.gain_db[-1]), made.rings[0].frequency_hz
    centre = ring_hz * 2 ** rng.uniform(-1 / 8, 1 / 8)
    for cut_db in (3.0, 6.0, 9.0, 12.0, 18.0):
        after = paths.peaking_cut(made.before, centre, cut_db, rate_hz)
        if truth.stability_limit_db(after, rate_hz) > gain + 0.7:
            break
    at = made.crossings_s[0] + 55 / spec.growth_db_per_s + rng.uniform(0.3, 0.8)
    survivors = paths.scaled(after, rate_hz)
    limit = truth.stability_limit_db(after, rate_hz)
    real = made.real_hz + _real(survivors.modes(gain - limit, rate_hz))
    return replace(made, after=after, change_s=at, pull_s=at, real_hz=real)


def _moved(spec: Spec, rng: np.random.Generator, rate_hz: int) -> Plant:
    """Change the path under a gain that stays: a cupped or a lowered microphone."""
    other_hz = spec.ring_hz if spec.kind == "lowered" else spec.ring_hz * 2 ** rng.uniform(-1, 1)
    first = _path(spec, rng, min(other_hz, 15000.0), rate_hz)
    second = _path(spec, rng, spec.ring_hz, rate_hz)
    excess = paths.excess_for_growth(second, spec.growth_db_per_s, rate_hz)
    gain = -float(rng.uniform(1.5, 5))
    after = second.taps * 10 ** ((excess - gain) / 20)
    at = LEAD_IN_S + rng.uniform(0, 0.7)
    share = _crossing_share(first.taps, after, gain, rate_hz)
    modes = second.modes(excess, rate_hz)
    return Plant(
        before=first.taps,
        gain_db=_track(spec, [(0.0, gain)], rate_hz),
        rings=(modes[0],),
        crossings_s=(at + share * FADE_S[spec.kind],),
        real_hz=_real(modes) + _real(first.modes(gain, rate_hz)),
        after=after,
        change_s=at,
        headroom_db=float(rng.uniform(18, 30) + 20 * (spec.programme == "quiet")),
    )


def _crossing_share(first: Real, second: Real, gain_db: float, rate_hz: int) -> float:
    """Return how far the change has come, 0..1, when the blended path passes the limit."""
    low, high = 0.0, 1.0
    pair = paths.padded([first, second])
    for _ in range(7):
        middle = (low + high) / 2
        blend = (1 - middle) * pair[0] + middle * pair[1]
        if truth.stability_limit_db(blend, rate_hz) < gain_db:
            high = middle
        else:
            low = middle
    return high


def _two(spec: Spec, rng: np.random.Generator, rate_hz: int) -> Plant:
    """Put two resonances an octave or more apart behind one gain, both over the limit."""
    away = rng.uniform(1.0, 3.0) * (1 if spec.ring_hz < 900 else -1)
    other_hz = spec.ring_hz * 2**away
    first = _path(spec, rng, spec.ring_hz, rate_hz)
    second = _path(spec, rng, other_hz, rate_hz)
    pair = paths.padded([first.taps, second.taps])
    path = paths.scaled(pair[0] + 10 ** (-rng.uniform(0.0, 0.3) / 20) * pair[1], rate_hz)
    excess = max(0.8, paths.excess_for_growth(path, spec.growth_db_per_s, rate_hz))
    at = LEAD_IN_S + rng.uniform(0, 0.7)
    gain = _track(spec, [(at, -float(rng.uniform(1.5, 6))), (at + 0.02, excess)], rate_hz)
    modes = path.modes(excess, rate_hz)
    main = modes[0]
    far = [m for m in modes if abs(np.log2(m.frequency_hz / main.frequency_hz)) > 0.5]
    rings = (main, *(m for m in far[:1] if m.growth_db_per_s > 0))
    crossings = tuple(_passes(gain, gain.max() - m.loop_gain_db, rate_hz) for m in rings)
    return Plant(path.taps, gain, rings, crossings, _real(modes))


_MAKERS: dict[str, Callable[[Spec, np.random.Generator, int], Plant]] = {
    "ramp": _ramp,
    "step": _step,
    "cupped": _moved,
    "lowered": _moved,
    **dict.fromkeys(MARGIN_DB, _held),
    "pulled": _pulled,
    "two": _two,
    "limited": _limited,
    "cut": _cut,
}
