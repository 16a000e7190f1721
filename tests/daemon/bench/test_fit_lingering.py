"""The rooms that lines that linger are learnt from."""

import numpy as np
import pytest

from prehowl.daemon.bench import material, paths
from prehowl.daemon.bench.cases import RATE_HZ
from prehowl.daemon.bench.fit_lingering import rooms_at_limit
from prehowl.daemon.bench.material import Excerpt
from prehowl.daemon.bench.protocol import loops as rooms
from prehowl.detectors.lingering_signals import SIGNALS


@pytest.mark.optional
@pytest.mark.skipif(not paths.has_rooms(), reason="needs pyroomacoustics (bench extra)")
def test_a_room_at_its_limit_is_heard_at_the_rate_of_all_else():
    """Oracle: definition: were it heard at its own rate, its frames alone would tell it.

    Noise through it rings at one mode for seconds, so there are several pieces of it, and all
    that stands elsewhere counts as no ring.
    """
    piece = next(p for p in material.pieces("tune") if p.family == "noise")
    order = rooms.Order("speech", Excerpt(piece, 0.0, 16.0, -20.0, 5), 5)
    found = rooms_at_limit([order])
    frames = np.unique(found.held.signals[:, list(SIGNALS).index("frame")])
    assert set(np.rint(frames * RATE_HZ).tolist()) <= {4096.0, 8192.0}
    assert len(np.unique(found.piece)) >= 2
    assert set(found.worth.tolist()) == {1.0}
