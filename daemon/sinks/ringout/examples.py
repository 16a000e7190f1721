"""Invented moments of a ring-out, for pictures and for trying the screen out."""

from typing import Any

import numpy as np

from prehowl.daemon.facts import facts_of
from prehowl.daemon.ringout.state import (
    FLAT,
    Found,
    GainWon,
    HeldRing,
    Help,
    Phase,
    Plan,
    Pull,
    Reason,
    Remark,
    State,
)
from prehowl.daemon.sinks.base import Health, Snapshot
from prehowl.daemon.sinks.ringout.model import Model
from prehowl.daemon.sources.base import SourceHealth
from prehowl.detectors.bands import NOMINAL_HZ

TITLE = "Mix 3 · twelve-inch wedge · hand mic"
PLAN = Plan(mix="Mix 3", monitor="twelve-inch wedge", microphone="hand mic")
MOMENTS = (
    "listening",
    "pull",
    "between",
    "checking",
    "advised",
    "finished",
    "no-input",
    "no-sound",
)


def cuts(**bands: float) -> tuple[float, ...]:
    """Return 31 cuts from 'hz_2500=3.0' and the like; a point in the name is a 'p'."""
    told = {float(name[3:].replace("p", ".")): cut for name, cut in bands.items()}
    return tuple(told.get(band, 0.0) for band in NOMINAL_HZ)


def _ring(frequency_hz: float, band_hz: float, *, is_sounding: bool = True) -> HeldRing:
    return HeldRing(frequency_hz, band_hz, -22.0, 42.0, 140.0, is_sounding, 1)


def _found(order: int, frequency_hz: float, *pulls: Pull) -> Found:
    return Found(order, 60.0 * order, frequency_hz, pulls[0].band_hz, pulls, True)


_FIRST = _found(1, 2513, Pull(2500, 3.0, 3.0))
_SECOND = _found(2, 318, Pull(315, 2.5, 2.5))


def state(moment: str) -> State:
    """Return the ring-out at one of `MOMENTS`."""
    two = cuts(hz_2500=3.0, hz_315=2.5)
    known: dict[str, Any] = {
        "found": (_FIRST, _SECOND),
        "before": State(PLAN),
        "raised_db": 4.0,
        "time_s": 150.0,
    }
    states = {
        "listening": State(PLAN, Phase.LISTENING, cuts_db=two, last=_SECOND, **known),
        "no-input": State(PLAN, Phase.LISTENING, cuts_db=two, last=_SECOND, **known),
        "no-sound": start(),
        "pull": State(
            PLAN,
            Phase.PULL,
            ring=_ring(2549, 2500),
            pulls=(Pull(2500, 2.0, 5.0),),
            remark=Remark.AGAIN,
            cuts_db=two,
            **known,
        ),
        "between": State(
            PLAN,
            Phase.PULL,
            ring=_ring(11180, 12500),
            pulls=(Pull(10000, 2.0, 2.0), Pull(12500, 1.5, 1.5)),
            remark=Remark.FIRST,
            cuts_db=two,
            **known,
        ),
        "checking": State(
            PLAN,
            Phase.CHECKING,
            ring=_ring(2549, 2500),
            pulls=(Pull(2500, 2.0, 5.0),),
            cuts_db=two,
            **known,
        ),
        "advised": State(
            PLAN,
            Phase.ADVISED,
            cuts_db=cuts(hz_2500=5.0, hz_2000=3.0, hz_3150=3.0, hz_315=2.5, hz_800=2.0),
            reason=Reason.PILED_UP,
            helps=(Help.MIC_ANGLE, Help.MIC_POSITION, Help.WEDGE_POSITION, Help.LEVEL),
            **known,
        ),
        "finished": State(
            PLAN,
            Phase.FINISHED,
            cuts_db=cuts(hz_2500=5.0, hz_315=2.5, hz_800=2.0),
            gain_won=GainWon(6.5, 0.8, True),
            **known,
        ),
    }
    return states[moment]


def start() -> State:
    """Return the ring-out before anything rang."""
    return State(PLAN, cuts_db=FLAT)


def snapshot(level_dbfs: float = -22.0, health: Health | None = None) -> Snapshot:
    """Return a snapshot of one channel."""
    level = np.array([level_dbfs], dtype=np.float32)
    well = Health(SourceHealth(), 0.06, 0, (("tablet", "ok"),))
    return Snapshot(154.0, level, level + 6, np.zeros((1, 31), np.float32), (), health or well)


def moment(name: str, *, now_s: float = 100.0) -> Model:
    """Return a model in one of `MOMENTS`, seen at `now_s`."""
    model = Model(TITLE, 0)
    model.take_state(start(), now_s - 5)
    model.take_state(state(name), now_s - 4)
    health = None
    if name == "no-input":
        said = facts_of(["interface unplugged, looking for it every second"])
        health = Health(SourceHealth("waiting", 2, 4800, said), 0.0, 0, (("tablet", "ok"),))
    level_dbfs = {"pull": -22.0, "between": -22.0, "no-sound": -140.0}.get(name, -41.0)
    model.take_snapshot(snapshot(level_dbfs, health), now_s - 0.1)
    if name == "finished":
        model.note("Sheet saved: mix-3-hand-mic.toml")
    return model
