"""Lines of loops that are held near their limit, sorted by the truth: at a mode, or elsewhere.

What `fit_lingering` learns from: the engine's own candidates, gathered without judging.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.bench.cases import RATE_HZ, Case
from prehowl.daemon.bench.score import AUDIBLE_DB
from prehowl.daemon.bench.side_by_side import side_by_side
from prehowl.detectors.engine import ChannelSetup, Engine
from prehowl.detectors.lingering_signals import SIGNALS

Figures = NDArray[np.float32]

SETTLE_S = 0.3
"""After the loop has come to its margin, before its tails are there to be seen."""

PIECE_S = 2.0
"""A loop at its limit must be seen in each piece so long, or the trees would learn to wait."""

UNDER_WORTH = 12
"""Weight of a loop held under its limit against a piece of one at it: tails are harder to see.
Chosen on check: with 8 and 16 as many of those in quiet are suspected (83 %), rooms at their limit
under music for 33 and 27 % of the time; with 8, loops half a decibel under it in plain noise lie at
the very level of a suspect."""


@dataclass(frozen=True, slots=True)
class Found:
    """Candidates with the sound and time they come from."""

    item: NDArray[np.int32]
    time_s: Figures
    frequency_hz: Figures
    signals: Figures  # (candidates, signals)

    def only(self, keep: NDArray[np.bool_]) -> "Found":
        """Return some of them."""
        return Found(
            self.item[keep], self.time_s[keep], self.frequency_hz[keep], self.signals[keep]
        )


def joined(parts: Sequence[Found]) -> Found:
    """Put candidates together; sounds are counted on from part to part by the caller."""
    return Found(
        np.concatenate([part.item for part in parts]),
        np.concatenate([part.time_s for part in parts]),
        np.concatenate([part.frequency_hz for part in parts]),
        np.concatenate([part.signals for part in parts]),
    )


def gather(sounds: Sequence[Figures]) -> Found:
    """Return what might linger in some mono sounds at `RATE_HZ`, side by side in one engine."""
    together = side_by_side(sounds)
    engine = Engine(RATE_HZ, [ChannelSetup()] * len(sounds))
    none = np.zeros(0, np.float32)
    parts = [Found(np.zeros(0, np.int32), none, none, np.zeros((0, len(SIGNALS)), "f4"))]
    for tick, resolution, spectra in engine.spectra(together):
        now = resolution.advance(spectra)
        if resolution.survey is not None and resolution.take_in():
            found = resolution.survey.candidates(now)
            time_s = np.full(len(found.ch), tick * engine.quantum / RATE_HZ, np.float32)
            hz = (found.place * now.bin_hz).astype(np.float32)
            parts.append(Found(found.ch.astype(np.int32), time_s, hz, found.signals))
    ends = np.array([len(sound) for sound in sounds]) / RATE_HZ
    whole = joined(parts)
    return whole.only(whole.time_s <= ends[whole.item])


@dataclass(frozen=True, slots=True)
class Truth:
    """One loop that is held: when that begins, where it rings, and whether anybody hears it."""

    begins_s: float
    modes_hz: tuple[float, ...]
    is_audible: bool
    at_limit: bool  # or so near that it rings on and on; else under it
    others_hz: tuple[float, ...] = ()  # modes too far under the limit to be told, and no music


def truth_of(case: Case) -> Truth:
    """Return what is true of a closed-loop case of the bench."""
    return Truth(
        min(ring.crossing_s for ring in case.rings),
        (*(ring.frequency_hz for ring in case.rings), *case.real_hz),
        max(ring.loudest_db for ring in case.rings) > -AUDIBLE_DB,
        case.spec.kind == "held",
    )


@dataclass(frozen=True, slots=True)
class Loops:
    """Candidates of some loops: at their modes, with their pieces, and elsewhere."""

    held: Found
    piece: NDArray[np.int64]  # (held,) counted from 0
    worth: Figures  # (held,) of the loop
    elsewhere: Found


def of_loops(found: Found, truths: Sequence[Truth]) -> Loops:
    """Sort what lies at a mode of its loop, held and to be heard, from what lies at none.

    A wedge that is nearly too loud draws out all that is sung into it: vowels stand there as lines
    that howl-free sound does not have.
    """
    held, elsewhere = np.zeros((2, len(found.item)), bool)
    for number, truth in enumerate(truths):
        mine = found.item == number
        at_mode = _is_near(found.frequency_hz, truth.modes_hz)
        elsewhere |= mine & ~at_mode & ~_is_near(found.frequency_hz, truth.others_hz)
        if truth.is_audible:
            held |= mine & at_mode & (found.time_s > truth.begins_s + SETTLE_S)
    own = found.only(held)
    at_limit = np.array([truth.at_limit for truth in truths])[own.item]
    begins_s = np.array([truth.begins_s for truth in truths])[own.item]
    part = np.where(at_limit, (own.time_s - begins_s) // PIECE_S, 0).astype(np.int64)
    _, piece = np.unique(own.item * np.int64(1000) + part, return_inverse=True)
    worth = np.where(at_limit, 1, UNDER_WORTH).astype(np.float32)
    return Loops(own, piece.astype(np.int64), worth, found.only(elsewhere))


def _is_near(frequency_hz: Figures, modes_hz: Sequence[float]) -> NDArray[np.bool_]:
    at_mode = np.zeros(len(frequency_hz), bool)
    for mode_hz in modes_hz:
        at_mode |= np.abs(frequency_hz - mode_hz) < max(0.02 * mode_hz, 9.0)
    return at_mode
