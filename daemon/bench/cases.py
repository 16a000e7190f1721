"""Closed-loop cases with their truth: simulate what the specs ask for, in batches.

A batch holds cases of one kind and one length, so that their loops run side by side.
"""

from collections import defaultdict
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.bench import material, paths, ringlevel
from prehowl.daemon.bench.plants import FADE_S, Plant, draw_plant
from prehowl.daemon.bench.specs import Spec, programme_excerpt
from prehowl.daemon.stage import truth
from prehowl.daemon.stage.closed_loop import PathChange, simulate_loops

Real = NDArray[np.float64]

RATE_HZ = 48000
BATCH = 8
GONE_DB = 20.0
CEILING_DBFS = -3.0


@dataclass(frozen=True, slots=True)
class TrueRing:
    """What physics says of one ring. Times in seconds from the case's begin."""

    frequency_hz: float  # of the closed loop's pole, at the takeover's gain where it comes to one
    growth_db_per_s: float  # of the same pole
    delay_s: float  # group delay of the loop
    loop_gain_db: float  # at the final gain: the excess over the limit, or minus the margin
    crossing_s: float  # loop gain passes 0 dB; of a held loop: when it begins
    takeover_s: float | None  # the ring is as loud as the programme's RMS of the past second
    settled_s: float | None  # within 1 dB of its final level: where a limiter holds it
    gone_s: float | None  # 20 dB under its loudest after gain or band were pulled
    loudest_db: float  # its greatest level from the crossing on, over the programme's RMS
    risen_db: float | None = None  # how far it had risen in sight when it took over


@dataclass(frozen=True, slots=True)
class Case:
    """One channel of audio and its truth."""

    spec: Spec
    material: str  # name of the howl-free excerpt
    samples: NDArray[np.float32]  # (samples,), at the tap, clipped at full scale
    rings: tuple[TrueRing, ...]
    real_hz: tuple[float, ...]  # an alarm at none of these is a wrong one
    level_db: tuple[Real, ...]  # the rings' own level, dBFS, every millisecond
    programme_db: Real  # the programme's 1 s RMS at the tap, dBFS, every millisecond


def batches(specs: list[Spec]) -> list[tuple[Spec, ...]]:
    """Group specs of one kind and length, at most `BATCH` together."""
    groups: dict[tuple[str, float], list[Spec]] = defaultdict(list)
    for spec in specs:
        groups[spec.kind, spec.seconds].append(spec)
    return [
        tuple(group[at : at + BATCH])
        for group in groups.values()
        for at in range(0, len(group), BATCH)
    ]


def make_batch(specs: tuple[Spec, ...], rate_hz: int = RATE_HZ) -> list[Case]:
    """Simulate the loops of one batch and compute the truth of each."""
    plants = [draw_plant(spec, rate_hz) for spec in specs]
    reserve = [float(np.random.default_rng(spec.seed + 3).uniform(0, 12)) for spec in specs]
    heard = [_programme(spec, desk, rate_hz) for spec, desk in zip(specs, reserve, strict=True)]
    programme = np.stack([sound for sound, _ in heard])
    gain = np.stack([p.gain_db + desk for p, desk in zip(plants, reserve, strict=True)])
    mic, mix = _simulate(specs, plants, programme, gain, np.array(reserve), rate_hz)
    cases = []
    for k, (spec, plant) in enumerate(zip(specs, plants, strict=True)):
        factor = 10 ** (gain[k] / 20) if spec.tap == "mix" else np.ones(len(gain[k]))
        tapped = mix[k] if spec.tap == "mix" else mic[k]
        own = programme[k] * factor
        cases.append(_with_truth(spec, plant, heard[k][1], tapped, own, rate_hz))
    return cases


def _programme(spec: Spec, desk_db: float, rate_hz: int) -> tuple[Real, str]:
    level = spec.level_dbfs - (desk_db if spec.tap == "mix" else 0.0)
    excerpt = programme_excerpt(spec, level)
    return material.render(excerpt, rate_hz).astype(np.float64), excerpt.name


def _simulate(
    specs: tuple[Spec, ...],
    plants: list[Plant],
    programme: Real,
    gain_db: Real,
    desk_db: Real,
    rate_hz: int,
) -> tuple[Real, Real]:
    """Run the loops, each scaled so that its own limiter falls on the one that all share."""
    at_mix = [
        spec.level_dbfs + (0.0 if spec.tap == "mix" else desk)
        for spec, desk in zip(specs, desk_db, strict=True)
    ]
    ceiling = np.array([at + p.headroom_db for at, p in zip(at_mix, plants, strict=True)])
    scale = 10 ** ((CEILING_DBFS - ceiling) / 20)[:, None]
    before = paths.padded([p.before for p in plants])
    changes: tuple[PathChange, ...] = ()
    if plants[0].after is not None:
        after = paths.padded([p.before if p.after is None else p.after for p in plants])
        at = np.array([int(p.change_s * rate_hz) for p in plants])
        fade = int(FADE_S[specs[0].kind] * rate_hz)
        changes = (PathChange(after / 10 ** (desk_db / 20)[:, None], at, fade),)
    mic, mix = simulate_loops(
        programme * scale,
        before / 10 ** (desk_db / 20)[:, None],
        gain_db,
        limiter_dbfs=CEILING_DBFS,
        changes=changes,
    )
    return mic / scale, mix / scale


def _with_truth(
    spec: Spec, plant: Plant, heard: str, tapped: Real, programme: Real, rate_hz: int
) -> Case:
    loudness = ringlevel.running_rms_dbfs(programme, rate_hz)
    rings, levels = [], []
    for mode, crossing_s in zip(plant.rings, plant.crossings_s, strict=True):
        time_s, level = ringlevel.level_of(
            tapped - programme, mode.frequency_hz, mode.growth_db_per_s, rate_hz
        )
        ring = _true_ring(spec, plant, mode, crossing_s, time_s, level - loudness, level)
        ring = _growth_at_takeover(ring, plant, rate_hz)
        rings.append(_risen_in_sight(ring, mode, programme, time_s, level, rate_hz))
        levels.append(level)
    samples = np.clip(tapped, -1, 1).astype(np.float32)
    return Case(spec, heard, samples, tuple(rings), plant.real_hz, tuple(levels), loudness)


def _true_ring(
    spec: Spec,
    plant: Plant,
    mode: truth.Mode,
    crossing_s: float,
    time_s: Real,
    over_programme: Real,
    level: Real,
) -> TrueRing:
    takeover = settled = gone = None
    if not spec.is_held:
        takeover = ringlevel.first_time(time_s, over_programme >= 0, crossing_s)
        until = np.ones(len(time_s), bool) if plant.pull_s is None else time_s <= plant.pull_s
        loudest = float(level[until & (time_s >= crossing_s)].max())
        settled = ringlevel.first_time(time_s, level >= loudest - 1, crossing_s)
        if plant.pull_s is not None:
            gone = ringlevel.first_time(time_s, level <= loudest - GONE_DB, plant.pull_s)
    return TrueRing(
        mode.frequency_hz,
        mode.growth_db_per_s,
        mode.delay_s,
        mode.loop_gain_db,
        crossing_s,
        takeover,
        settled,
        gone,
        float(over_programme[time_s >= crossing_s].max()),
    )


def _risen_in_sight(
    ring: TrueRing, mode: truth.Mode, programme: Real, time_s: Real, level: Real, rate_hz: int
) -> TrueRing:
    if ring.takeover_s is None:
        return ring
    _, covered = ringlevel.level_of(programme, mode.frequency_hz, mode.growth_db_per_s, rate_hz)
    until = time_s <= ring.takeover_s
    risen_db = ringlevel.risen_in_sight(
        time_s[until], level[until], covered[until], ring.growth_db_per_s
    )
    return replace(ring, risen_db=risen_db)


def _growth_at_takeover(ring: TrueRing, plant: Plant, rate_hz: int) -> TrueRing:
    """In a slow ramp the ring takes over before the gain has come to its end: use that growth."""
    if ring.takeover_s is None or plant.pole_path is None:
        return ring
    gain = float(plant.gain_db[min(len(plant.gain_db) - 1, int(ring.takeover_s * rate_hz))])
    if gain <= 0 or gain >= plant.gain_db.max() - 1e-6:
        return ring
    with np.errstate(over="ignore", invalid="ignore"):
        nearest = min(
            plant.pole_path.modes(gain, rate_hz),
            key=lambda mode: abs(np.log(mode.frequency_hz / ring.frequency_hz)),
        )
    return replace(ring, growth_db_per_s=nearest.growth_db_per_s, frequency_hz=nearest.frequency_hz)
