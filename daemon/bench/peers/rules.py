"""The peers: each criterion with its frames, its history and the thresholds that were published.

A rule turns a spectrogram into one figure a frame and bin, the larger the more howl; it holds where
the figure is at or above a threshold. Frames are those of the papers in milliseconds, at the
bench's 48 kHz, so that rings up to 14 kHz can be seen: the survey's 4096 samples at 48 kHz, half
overlapped, 3 candidates a frame; the sparsity paper's 64 ms (1024 at 16 kHz) every 20 ms.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.bench.peers import criteria
from prehowl.daemon.bench.peers.spectrogram import Framing, Spectrogram

Real = NDArray[np.float64]
Rule = Callable[[Spectrogram], Real]

SURVEY = Framing(4096, 2048)
SPARSITY = Framing(3072, 960)
CANDIDATES = 3
HARMONICS = (0.5, 1.5, 2.0, 3.0, 4.0)
NEIGHBOURS = (-4, -3, -2, 2, 3, 4)
IMSD_FRAMES = 7
LOG_FLOOR_DB = -100.0
"""Level that reads 0 on the log magnitude scale of NINOS2-T: the paper gives none."""


@dataclass(frozen=True, slots=True)
class Peer:
    """One criterion as it is run on the bench."""

    name: str
    framing: Framing
    rule: Rule
    sweep: Real  # thresholds, from lenient to strict
    published: tuple[float, ...]  # thresholds of the papers, on the rule's scale
    unit: str


def _among_candidates(view: Spectrogram, figure: Real) -> Real:
    """Keep the figure at the frame's candidates, where it is known."""
    known = criteria.candidates(view.power, CANDIDATES) & ~np.isnan(figure)
    return np.where(known, figure, criteria.NEVER)


def ptpr(view: Spectrogram) -> Real:
    """Level of a candidate in dBFS: P_0 is the power of a full-scale sine."""
    return _among_candidates(view, view.level_db)


def papr(view: Spectrogram) -> Real:
    """PAPR of a candidate, dB."""
    return _among_candidates(view, criteria.papr_db(view.power, view.framing.frame_length))


def phpr(view: Spectrogram) -> Real:
    """PHPR of a candidate over half, one and a half, two, three and four times its frequency."""
    return _among_candidates(view, criteria.phpr_db(view.level_db, HARMONICS))


def pnpr(view: Spectrogram) -> Real:
    """PNPR of a candidate over the second to fourth neighbour on both sides."""
    return _among_candidates(view, criteria.pnpr_db(view.level_db, NEIGHBOURS))


def ipmp(view: Spectrogram) -> Real:
    """Share of the last five frames in which the bin was a candidate."""
    return criteria.ipmp(criteria.candidates(view.power, CANDIDATES), 5)


def imsd(view: Spectrogram) -> Real:
    """-|IMSD| of a candidate over seven frames, dB per frame."""
    return _among_candidates(view, -np.abs(criteria.imsd_db(view.level_db, IMSD_FRAMES)))


def fep(view: Spectrogram) -> Real:
    """FEP of a candidate, 0..1."""
    return _among_candidates(view, criteria.fep(view.level_db, IMSD_FRAMES))


def together(phpr_db: float, pnpr_db: float) -> Rule:
    """Return the rule PHPR and PNPR and IMSD: the first two fixed in dB, the third swept."""

    def rule(view: Spectrogram) -> Real:
        others = (phpr(view) >= phpr_db) & (pnpr(view) >= pnpr_db)
        return np.where(others, imsd(view), criteria.NEVER)

    return rule


def slope_deviation(history: int) -> Rule:
    """Return the rule of the temporal slope deviation: minus its mean over the history, dB."""

    def rule(view: Spectrogram) -> Real:
        bend = criteria.slope_deviation_db(view.level_db, history) / (history - 2)
        return _among_candidates(view, -bend)

    return rule


def ninos(history: int, *, log: bool) -> Rule:
    """Return the rule of NINOS2-T: the frame's largest value only (S_c = 1), no peak picking."""

    def rule(view: Spectrogram) -> Real:
        logarithm = np.maximum(view.level_db - LOG_FLOOR_DB, 0.0)
        feature = criteria.ninos2_t(logarithm if log else np.sqrt(view.power), history)
        feature[:, 0] = criteria.NEVER
        return criteria.only_largest(feature, 1)

    return rule


def _steps(low: float, high: float, count: int = 41) -> Real:
    return np.linspace(low, high, count)


DEVIATIONS = -np.geomspace(30.0, 0.003, 41)
NEAR_ONE = np.unique(np.concatenate((_steps(0, 1, 21), 1 - np.geomspace(0.1, 1e-5, 21))))

PEERS: tuple[Peer, ...] = (
    Peer("PTPR", SURVEY, ptpr, _steps(-90, 0), (), "dBFS"),
    Peer("PAPR", SURVEY, papr, _steps(0, 33), (6.0, 10.0, 28.7, 33.0, 55.0), "dB"),
    Peer("PHPR", SURVEY, phpr, _steps(-10, 70), (30.0, 33.0, 40.0, 44.0), "dB"),
    Peer("PNPR", SURVEY, pnpr, _steps(0, 60), (12.0,), "dB"),
    Peer("IPMP", SURVEY, ipmp, _steps(0.2, 1.0, 5), (0.6,), "share"),
    Peer("IMSD", SURVEY, imsd, DEVIATIONS, (-0.05,), "-dB"),
    Peer("FEP", SURVEY, fep, _steps(0, 1), (0.7, 0.95), ""),
    Peer("PHPR&PNPR&IMSD 20,6", SURVEY, together(20, 6), DEVIATIONS, (), "-dB"),
    Peer("PHPR&PNPR&IMSD 30,12", SURVEY, together(30, 12), DEVIATIONS, (-0.05,), "-dB"),
    Peer("PHPR&PNPR&IMSD 40,12", SURVEY, together(40, 12), DEVIATIONS, (-0.1, -0.5, -1.0), "-dB"),
    Peer("slope deviation", SPARSITY, slope_deviation(16), DEVIATIONS, (), "-dB"),
    Peer("NINOS2-T 32", SPARSITY, ninos(32, log=False), NEAR_ONE, (), ""),
    Peer("NINOS2-T 96", SPARSITY, ninos(96, log=False), NEAR_ONE, (), ""),
    Peer("NINOS2-T 32 log", SPARSITY, ninos(32, log=True), NEAR_ONE, (), ""),
    Peer("NINOS2-T 96 log", SPARSITY, ninos(96, log=True), NEAR_ONE, (), ""),
)
"""Names, frames, rules, sweeps; the published thresholds of IMSD stand as minus its absolute."""
