"""The features of the 2025 comparison with the parameters that its authors found best.

Frame length M, history Q, the S_c largest values kept and the neighbours or multiples m are those
of their table for speech and for music; 50 frames a second at 16 kHz. The slope deviation is not in
their table: frame and history are ours.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.bench.peers import criteria
from prehowl.daemon.bench.peers.rules import LOG_FLOOR_DB
from prehowl.daemon.bench.peers.spectrogram import Framing, Spectrogram

Real = NDArray[np.float64]

HOP = 320
ALL = 1 << 30
PICKED = 10
"""Candidates a frame for IPMP, which alone needs peak picking."""


@dataclass(frozen=True, slots=True)
class Feature:
    """One feature for one material: figure a frame and bin, and where it is thresholded."""

    name: str
    frame_length: int
    largest: int  # S_c
    rule: Callable[[Spectrogram], Real]
    thresholds: Real

    @property
    def framing(self) -> Framing:
        """Return frame and hop."""
        return Framing(self.frame_length, HOP)

    def figure(self, view: Spectrogram) -> Real:
        """Return the feature with all but the largest values of each frame struck out."""
        figure = self.rule(view)
        # Without history, or without any multiple or neighbour to compare with: no figure.
        found = np.where(np.isfinite(figure), figure, criteria.NEVER)
        found[:, 0] = criteria.NEVER
        return criteria.only_largest(found, self.largest)


def _ninos(history: int, *, log: bool) -> Callable[[Spectrogram], Real]:
    def rule(view: Spectrogram) -> Real:
        logarithm = np.maximum(view.level_db - LOG_FLOOR_DB, 0.0)
        return criteria.ninos2_t(logarithm if log else np.sqrt(view.power), history)

    return rule


def _papr(view: Spectrogram) -> Real:
    return criteria.papr_db(view.power, view.framing.frame_length)


def _phpr(view: Spectrogram) -> Real:
    return criteria.phpr_db(view.level_db, (2.0, 3.0, 4.0))


def _pnpr(*offsets: int) -> Callable[[Spectrogram], Real]:
    both = [sign * offset for offset in offsets for sign in (1, -1)]
    return lambda view: criteria.pnpr_db(view.level_db, both)


def _ipmp(view: Spectrogram) -> Real:
    return criteria.ipmp(criteria.candidates(view.power, PICKED), 64)


def _imsd(history: int) -> Callable[[Spectrogram], Real]:
    return lambda view: -np.abs(criteria.imsd_db(view.level_db, history))


def _bend(view: Spectrogram) -> Real:
    return -criteria.slope_deviation_db(view.level_db, 32) / 30


LINEAR = 1 - np.geomspace(0.9, 0.001, 61)
"""Thresholds of a share: close together near 1."""
DEVIATION = -np.geomspace(10.0, 0.003, 61)
SHARES = np.arange(1, 65) / 64


def _levels(low: float, high: float) -> Real:
    return np.linspace(low, high, 61)


FEATURES: dict[str, tuple[Feature, ...]] = {
    "speech": (
        Feature("NINOS2-T", 1024, 1, _ninos(32, log=False), LINEAR),
        Feature("NINOS2-T log", 1024, 1, _ninos(32, log=True), LINEAR),
        Feature("IPMP", 2048, ALL, _ipmp, SHARES),
        Feature("PAPR", 2048, ALL, _papr, _levels(0, 30)),
        Feature("PTPR", 512, 1, lambda view: view.level_db, _levels(-80, 0)),
        Feature("PHPR", 2048, 3, _phpr, _levels(0, 70)),
        Feature("PNPR", 2048, ALL, _pnpr(2, 3, 4), _levels(0, 50)),
        Feature("IMSD", 512, 3, _imsd(8), DEVIATION),
        Feature("slope deviation", 1024, 3, _bend, DEVIATION),
    ),
    "music": (
        Feature("NINOS2-T", 1024, 1, _ninos(96, log=False), LINEAR),
        Feature("NINOS2-T log", 1024, 1, _ninos(96, log=True), LINEAR),
        Feature("IPMP", 4096, 1, _ipmp, SHARES),
        Feature("PAPR", 512, ALL, _papr, _levels(0, 24)),
        Feature("PTPR", 512, ALL, lambda view: view.level_db, _levels(-80, 0)),
        Feature("PHPR", 512, ALL, _phpr, _levels(0, 70)),
        Feature("PNPR", 2048, ALL, _pnpr(2, 3), _levels(0, 50)),
        Feature("IMSD", 512, 3, _imsd(16), DEVIATION),
        Feature("slope deviation", 1024, 3, _bend, DEVIATION),
    ),
}
PUBLISHED_F1: dict[str, dict[str, tuple[float, float]]] = {
    "speech": {
        "NINOS2-T": (0.88, 0.74),
        "IPMP": (0.68, 0.50),
        "PAPR": (0.63, 0.45),
        "PTPR": (0.60, 0.41),
        "PHPR": (0.59, 0.46),
        "PNPR": (0.55, 0.41),
        "IMSD": (0.13, 0.07),
    },
    "music": {
        "NINOS2-T": (0.70, 0.42),
        "IPMP": (0.47, 0.23),
        "PAPR": (0.33, 0.17),
        "PTPR": (0.33, 0.19),
        "PHPR": (0.18, 0.09),
        "PNPR": (0.16, 0.08),
        "IMSD": (0.05, 0.03),
    },
}
"""Best F1 full and early: Mounir et al. 2025 (read in full)."""
