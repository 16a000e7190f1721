"""How far apart channels tell one and the same rising tone: what the tolerances of alerts rest on.

One tone is heard on five channels at different levels, each under a noise of its own; what each
channel tells of it, while it rises, is compared with the tone and with the other channels.
"""

from collections.abc import Iterator
from itertools import combinations
from typing import Any

import numpy as np

from prehowl.daemon.bench.nuisance.shapes import pink
from prehowl.detectors.alerts import GROWTH_RATIO, GROWTH_S, LEAST_GROWTH_DB_PER_S
from prehowl.detectors.engine import ChannelSetup, Engine
from prehowl.detectors.rings import RingChange, RingState

RATE_HZ = 48000
CHANNELS = 5
TONES_HZ = (70, 100, 160, 250, 400, 800, 1600, 3000, 6000, 11000)
GROWTHS_DB_PER_S = (8.0, 25.0, 80.0, 300.0)
BEGIN_S, FROM_DBFS, TO_DBFS = 1.0, -75.0, -12.0
NEAR_CENTS = 300.0
"""What is told farther from the tone than this is not of it."""


def figures(seed: int) -> dict[str, Any]:
    """Return, for each growth, how far channels were off the tone and apart from each other."""
    rng = np.random.default_rng([seed, 12])
    rows = []
    for growth in GROWTHS_DB_PER_S:
        told = [_hear(rng, hz * 2 ** rng.uniform(-0.1, 0.1), growth) for hz in TONES_HZ]
        rows.append(
            {
                "growth_db_per_s": growth,
                "rings": sum(len({c.id for c in changes}) for _, changes in told),
                "most_off_hz": round(max(_off(hz, changes) for hz, changes in told), 2),
                "most_ratio": round(max(_ratio(changes) for _, changes in told), 2),
            }
        )
    return {"seed": seed, "rows": rows}


def lines(told: dict[str, Any]) -> Iterator[str]:
    """Return the figures as lines for a person."""
    yield f"{'dB/s':>6}{'rings':>8}{'most off, Hz':>15}{'growths apart, times':>23}"
    for row in told["rows"]:
        yield (
            f"{row['growth_db_per_s']:>6g}{row['rings']:>8}{row['most_off_hz']:>15g}"
            f"{row['most_ratio']:>23g}"
        )
    yield f"growths are one mode's up to {GROWTH_RATIO:g} times apart"


def _hear(rng: np.random.Generator, hz: float, growth: float) -> tuple[float, list[RingChange]]:
    """Return the tone and what five channels told of it before it ended."""
    seconds = BEGIN_S + 1.0 + (TO_DBFS - FROM_DBFS) / growth
    time_s = np.arange(round(min(seconds, 7.0) * RATE_HZ)) / RATE_HZ
    level = np.minimum(FROM_DBFS + growth * (time_s - BEGIN_S), TO_DBFS)
    tone = np.where(time_s > BEGIN_S, 10 ** (level / 20) * np.sin(2 * np.pi * hz * time_s), 0.0)
    sound = np.empty((len(time_s), CHANNELS), np.float32)
    for ch in range(CHANNELS):
        noise = 10 ** (rng.uniform(-45, -25) / 20) * pink(rng, len(time_s))
        sound[:, ch] = noise + 10 ** (rng.uniform(-12, 0) / 20) * tone
    changes = Engine(RATE_HZ, [ChannelSetup()] * CHANNELS).feed(sound)
    cents = [abs(1200 * np.log2(change.frequency_hz / hz)) for change in changes]
    return hz, [
        change
        for change, away in zip(changes, cents, strict=True)
        if away < NEAR_CENTS and change.state is not RingState.CLEARED
    ]


def _off(hz: float, changes: list[RingChange]) -> float:
    return max((abs(change.frequency_hz - hz) for change in changes), default=0.0)


def _ratio(changes: list[RingChange]) -> float:
    """Return how many times one growth was the other, of two channels at about one moment."""
    ratios = [1.0]
    for a, b in combinations(changes, 2):
        if a.ch != b.ch and abs(a.sample - b.sample) <= GROWTH_S * RATE_HZ:
            slow, fast = sorted((a.growth_db_per_s or 0.0, b.growth_db_per_s or 0.0))
            ratios.append(fast / max(slow, LEAST_GROWTH_DB_PER_S))
    return max(ratios)
