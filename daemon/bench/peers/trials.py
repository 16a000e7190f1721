"""Run the peers and the engine over the same cases and the same howl-free sound.

One rule for all of them. A ring is alarmed at the end of the first frame, from the moment the loop
passes its limit, in which the criterion holds within 200 cents of the ring (or in one of the two
bins next to it); for the engine: when its alarm there is raised, if it does not stand already.
False alarms are counted in cells: one for each 1/3-octave band and whole second of howl-free sound
in which the criterion holds anywhere, or an alarm of the engine stands.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.bench import cases, hearing, material, pool, score
from prehowl.daemon.bench.cases import RATE_HZ, Case, TrueRing
from prehowl.daemon.bench.peers.rules import PEERS, Peer
from prehowl.daemon.bench.peers.spectrogram import Framing, Spectrogram, transform
from prehowl.daemon.bench.records import HeardCase
from prehowl.detectors.bands import band_index, edges_hz
from prehowl.detectors.engine import ChannelSetup
from prehowl.detectors.rings import RingChange

Samples = NDArray[np.float32]
Real = NDArray[np.float64]
Counts = NDArray[np.int64]

ENGINE = "prehowl"
FACTORS = (0.125, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 4.0)
"""The engine's operating points: its default sensitivity times these."""
BANDS = 31


@dataclass(frozen=True, slots=True)
class RingTrial:
    """When each curve, at each of its settings, alarmed one true ring; inf: never."""

    true: TrueRing
    is_instant: bool
    alarm_s: dict[str, Real]  # name: (settings,)


@dataclass(frozen=True, slots=True)
class FreeTrial:
    """How many cells of one excerpt each curve alarmed, at each of its settings."""

    group: str
    seconds: float
    cells: dict[str, Counts]  # name: (settings,)


@dataclass(frozen=True, slots=True)
class Trials:
    """All of a run."""

    rings: tuple[RingTrial, ...]
    excerpts: tuple[FreeTrial, ...]


def settings(peer: Peer) -> Real:
    """Return the thresholds of a peer: its sweep and the published ones, from lenient to strict."""
    return np.unique(np.round(np.concatenate((peer.sweep, peer.published)), 6))


def do(job: hearing.Job) -> Trials:
    """Do one job."""
    return Trials(tuple(_cases(job)), tuple(_excerpts(job)))


def _cases(job: hearing.Job) -> Iterator[RingTrial]:
    if not job.specs:
        return
    made = cases.make_batch(job.specs)
    spoken = at_each_factor([case.samples for case in made])
    for case, told in zip(made, spoken, strict=True):
        peers = _peers_on(case)
        for number, ring in enumerate(case.rings):
            alarms = {ENGINE: np.array([_engine_alarm(case, number, own) for own in told])}
            alarms |= {name: found[number] for name, found in peers.items()}
            yield RingTrial(ring, score.is_instant(ring), alarms)


def at_each_factor(sound: Sequence[Samples]) -> list[list[tuple[RingChange, ...]]]:
    """Return, for each sound, what the engine says of it at each of `FACTORS`."""
    longest = max(len(samples) for samples in sound)
    padded = [np.pad(samples, (0, longest - len(samples))) for samples in sound]
    usual = ChannelSetup()
    setups = [replace(usual, sensitivity=usual.sensitivity * factor) for factor in FACTORS]
    rows = np.repeat(np.stack(padded), len(setups), axis=0)
    told = hearing.changes_of(rows, RATE_HZ, setups * len(sound))
    return [told[at : at + len(setups)] for at in range(0, len(told), len(setups))]


def _engine_alarm(case: Case, number: int, told: tuple[RingChange, ...]) -> float:
    heard = HeardCase(case.spec, case.material, case.rings, case.real_hz, told)
    alarm_s = score.score_case(heard).rings[number].alarm_s
    return np.inf if alarm_s is None else max(alarm_s, case.rings[number].crossing_s)


def _spectrograms(samples: Samples) -> dict[Framing, Spectrogram]:
    framings = {peer.framing for peer in PEERS}
    return {framing: transform(samples, framing, RATE_HZ) for framing in framings}


def _peers_on(case: Case) -> dict[str, list[Real]]:
    views = _spectrograms(case.samples)
    found = {}
    for peer in PEERS:
        view = views[peer.framing]
        figure = peer.rule(view)
        found[peer.name] = [first_times(view, figure, r, settings(peer)) for r in case.rings]
    return found


def first_times(view: Spectrogram, figure: Real, ring: TrueRing, thresholds: Real) -> Real:
    """Return when a criterion first holds at a ring, (thresholds,), rising; inf: never."""
    near = figure[:, bins_near(ring.frequency_hz, view.bin_hz, figure.shape[1])].max(axis=1)
    end_s = view.end_s(np.arange(len(near)))
    due = end_s >= ring.crossing_s
    best = np.maximum.accumulate(near[due])
    times = np.concatenate((end_s[due], [np.inf]))
    return np.asarray(times[np.searchsorted(best, thresholds, side="left")])


def bins_near(frequency_hz: float, bin_hz: float, bins: int) -> slice:
    """Return the bins within `score.NEAR_CENTS` of a frequency, and the two next to it at least."""
    reach = 2 ** (score.NEAR_CENTS / 1200)
    place = frequency_hz / bin_hz
    low = min(int(np.floor(place)), int(np.ceil(place / reach)))
    high = max(int(np.ceil(place)), int(np.floor(place * reach)))
    return slice(max(0, low), min(bins, high + 1))


def _excerpts(job: hearing.Job) -> Iterator[FreeTrial]:
    if not job.excerpts:
        return
    sound = [material.render(excerpt, RATE_HZ) for excerpt in job.excerpts]
    for excerpt, samples, told in zip(job.excerpts, sound, at_each_factor(sound), strict=True):
        cells = {ENGINE: np.array([engine_cells(own, excerpt.seconds) for own in told])}
        views = _spectrograms(samples)
        for peer in PEERS:
            most = cell_maxima(views[peer.framing], peer.rule(views[peer.framing]))
            cells[peer.name] = np.array([int((most >= t).sum()) for t in settings(peer)])
        yield FreeTrial(excerpt.piece.group, excerpt.seconds, cells)


def cell_maxima(view: Spectrogram, figure: Real) -> Real:
    """Return the largest figure in each whole second and 1/3-octave band, (seconds, 31).

    Low bands that hold no bin at all read `-inf`. The bin at 0 Hz is in none.
    """
    band = np.clip(
        np.searchsorted(edges_hz(), np.arange(figure.shape[1]) * view.bin_hz, side="right") - 1,
        0,
        BANDS - 1,
    )
    second = view.end_s(np.arange(len(figure))).astype(int)
    by_band = np.full((len(figure), BANDS), -np.inf)
    for number in range(BANDS):
        held = np.flatnonzero(band == number)
        held = held[held > 0]
        if held.size:
            by_band[:, number] = figure[:, held[0] : held[-1] + 1].max(axis=1)
    most = np.full((int(second.max(initial=0)) + 1, BANDS), -np.inf)
    np.maximum.at(most, second, by_band)
    return most


def engine_cells(changes: Sequence[RingChange], seconds: float) -> int:
    """Count the whole seconds and bands in which an alarm of the engine stands."""
    cells = set()
    for story in score.stories(changes):
        if story.alarm_s is None or story.alarm_s >= seconds:
            continue
        end_s = seconds if story.cleared_s is None else min(seconds, story.cleared_s)
        band = int(band_index(story.frequency_hz))
        last = max(int(story.alarm_s), int(np.ceil(end_s)) - 1)
        cells |= {(band, second) for second in range(int(story.alarm_s), last + 1)}
    return len(cells)


def fit_for_comparison(jobs: Sequence[hearing.Job]) -> list[hearing.Job]:
    """Leave out marginal holds, in which nothing must be alarmed, and what no channel can tell."""
    kept = [
        hearing.Job(
            tuple(spec for spec in job.specs if not spec.is_held),
            tuple(e for e in job.excerpts if e.piece.group != material.APART),
        )
        for job in jobs
    ]
    return [job for job in kept if job.specs or job.excerpts]


def run(jobs: Sequence[hearing.Job], processes: int, done: Callable[[int, int], None]) -> Trials:
    """Do all jobs; `done` is told (jobs done, of how many) after each."""
    parts: list[Trials] = []
    for part in pool.each(do, jobs, processes):
        parts.append(part)
        done(len(parts), len(jobs))
    return Trials(
        tuple(ring for part in parts for ring in part.rings),
        tuple(excerpt for part in parts for excerpt in part.excerpts),
    )
