"""Run the engine over the bench's audio and keep what it said, with the truth beside it.

Work is cut into jobs (a batch of cases, a handful of excerpts) that any process can do alone;
the records that come back are small and hold no audio. Channels of one engine are independent,
so a job's cases run side by side as channels of one engine.
"""

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.bench import advice, cases, material, pool
from prehowl.daemon.bench.cases import RATE_HZ
from prehowl.daemon.bench.cut_short import cut_short
from prehowl.daemon.bench.material import Excerpt
from prehowl.daemon.bench.records import Heard, HeardCase, HeardExcerpt
from prehowl.daemon.bench.specs import Spec, draw_specs
from prehowl.detectors.engine import ChannelSetup, Engine
from prehowl.detectors.rings import RingChange

BLOCK = 4800

AWAY_CENTS = 20.0
"""How far off at most a case's ring is told to have rung before."""

PLACES, LOWEST_HZ, HIGHEST_HZ = 3, 120.0, 6000.0
"""In howl-free sound so many places are told, at random."""


@dataclass(frozen=True, slots=True)
class Asked:
    """How the engine is to be run."""

    without: tuple[str, ...] = ()  # resolutions that it does without
    sensitivity: float = 1.0
    rang_before: bool = False  # whether the engine is told where each case will ring


@dataclass(frozen=True, slots=True)
class Job:
    """What one process does at a time; one of the two is empty."""

    specs: tuple[Spec, ...] = ()
    excerpts: tuple[Excerpt, ...] = ()
    asked: Asked = Asked()


def changes_of(
    channels: NDArray[np.float32],
    rate_hz: int,
    setups: Sequence[ChannelSetup] | None = None,
    without: Collection[str] = (),
) -> list[tuple[RingChange, ...]]:
    """Feed channels, shape (channels, samples), to one engine; return each channel's changes.

    `setups` has one entry a channel; all channels are plain microphones without it. `without`
    names the resolutions that the engine does without.
    """
    engine = Engine(rate_hz, setups or [ChannelSetup()] * len(channels))
    engine.leave_out(without)
    heard: list[list[RingChange]] = [[] for _ in channels]
    for at in range(0, channels.shape[1], BLOCK):
        for change in engine.feed(channels[:, at : at + BLOCK].T):
            heard[change.ch].append(change)
    for change in engine.finish():
        heard[change.ch].append(change)
    return [tuple(changes) for changes in heard]


def jobs_of(
    split: str,
    case_count: int,
    minutes: float,
    seed: int,
    families: Sequence[str],
    asked: Asked = Asked(),
) -> list[Job]:
    """Cut a run into jobs, the long ones first."""
    drawn = cases.batches(draw_specs(split, case_count, seed))
    of_cases = [Job(specs=batch, asked=asked) for batch in drawn]
    excerpts = material.plan(split, minutes, seed, families) if minutes > 0 else []
    of_excerpts = [
        Job(excerpts=tuple(excerpts[at : at + cases.BATCH]), asked=asked)
        for at in range(0, len(excerpts), cases.BATCH)
    ]
    return of_cases + of_excerpts


def do(job: Job) -> Heard:
    """Do one job."""
    return Heard(
        tuple(_hear_cases(job.specs, job.asked)),
        tuple(_hear_excerpts(job.excerpts, job.asked)),
    )


def _hear_cases(specs: tuple[Spec, ...], asked: Asked) -> Iterator[HeardCase]:
    if not specs:
        return
    made = cases.make_batch(specs)
    # The show file tells the engine each loop's delay; so does the bench.
    setups = [
        ChannelSetup(
            loop_delay_s=case.rings[0].delay_s,
            sensitivity=asked.sensitivity,
            rang_hz=_near_rings(case) if asked.rang_before else (),
        )
        for case in made
    ]
    spoken = changes_of(np.stack([case.samples for case in made]), RATE_HZ, setups, asked.without)
    for case, changes in zip(made, spoken, strict=True):
        cuts = advice.cuts_of(case.spec, case.rings, changes, RATE_HZ)
        short = cut_short(case, changes)
        yield HeardCase(case.spec, case.material, case.rings, case.real_hz, changes, cuts, short)


def _near_rings(case: cases.Case) -> tuple[float, ...]:
    rng = np.random.default_rng(case.spec.seed + 1)
    away = rng.uniform(-AWAY_CENTS, AWAY_CENTS, len(case.rings))
    return tuple(
        float(ring.frequency_hz * 2 ** (cents / 1200))
        for ring, cents in zip(case.rings, away, strict=True)
    )


def _anywhere(seed: int) -> tuple[float, ...]:
    rng = np.random.default_rng(seed + 2)
    return tuple(np.exp(rng.uniform(np.log(LOWEST_HZ), np.log(HIGHEST_HZ), PLACES)).tolist())


def _hear_excerpts(excerpts: tuple[Excerpt, ...], asked: Asked) -> Iterator[HeardExcerpt]:
    if not excerpts:
        return
    sound = [material.render(excerpt, RATE_HZ) for excerpt in excerpts]
    longest = max(len(samples) for samples in sound)
    channels = np.stack([np.pad(samples, (0, longest - len(samples))) for samples in sound])
    setups = [
        ChannelSetup(
            sensitivity=asked.sensitivity,
            rang_hz=_anywhere(excerpt.seed) if asked.rang_before else (),
        )
        for excerpt in excerpts
    ]
    spoken = changes_of(channels, RATE_HZ, setups, asked.without)
    for excerpt, changes in zip(excerpts, spoken, strict=True):
        end = excerpt.seconds * RATE_HZ
        told = tuple(c for c in changes if c.sample <= end)
        apart = excerpt.piece.group == material.APART
        yield HeardExcerpt(excerpt, told, _beside_reference(excerpt) if apart else None)


def _beside_reference(excerpt: Excerpt) -> tuple[RingChange, ...]:
    """Return what the engine says of the microphone when the source's own channel is there, too.

    The reference (a DI, the playback) carries the sound 6 dB down, the microphone 6 ms later, each
    with a hiss of its own.
    """
    sound = material.render(excerpt, RATE_HZ)
    rng = np.random.default_rng(excerpt.seed + 1)
    hiss = rng.normal(scale=10 ** (material.MIC_NOISE_DBFS / 20), size=len(sound))
    late = np.concatenate((np.zeros(int(0.006 * RATE_HZ)), sound))[: len(sound)]
    pair = np.stack([late, 0.5 * sound + hiss]).astype(np.float32)
    return changes_of(pair, RATE_HZ, [ChannelSetup(), ChannelSetup(is_reference=True)])[0]


def hear(jobs: Sequence[Job], processes: int, done: Callable[[int, int], None]) -> Heard:
    """Do all jobs and join the records in the jobs' order.

    Parameters
    ----------
    jobs : sequence of Job
    processes : int
        1 works in this process.
    done : callable
        Told (jobs done, of how many) after each.
    """
    parts: list[Heard] = []
    for part in pool.each(do, jobs, processes):
        parts.append(part)
        done(len(parts), len(jobs))
    return Heard(
        tuple(case for part in parts for case in part.cases),
        tuple(excerpt for part in parts for excerpt in part.excerpts),
    )
