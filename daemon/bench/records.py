"""What a run of the bench leaves: what the engine said, with the truth beside it; no audio."""

from dataclasses import dataclass

from prehowl.daemon.bench.cases import TrueRing
from prehowl.daemon.bench.material import Excerpt
from prehowl.daemon.bench.specs import Spec
from prehowl.detectors.rings import RingChange


@dataclass(frozen=True, slots=True)
class AppliedCut:
    """What the advised cut does to the loop of one alarmed ring; see `advice`."""

    kind: str  # of the case
    moment: str  # one of `advice.MOMENTS`
    ring_hz: float
    band_hz: float  # of the advised fader
    cut_db: float | None  # as advised; None where the alarm named none
    excess_db: float  # the loop's gain over the limit near the ring, uncut, at that moment
    needed_db: float | None  # least cut of this fader that stops it; None: no cut of it does
    stops: bool


@dataclass(frozen=True, slots=True)
class HeardCase:
    """What the engine said of one closed-loop case."""

    spec: Spec
    material: str
    rings: tuple[TrueRing, ...]
    real_hz: tuple[float, ...]
    changes: tuple[RingChange, ...]
    cuts: tuple[AppliedCut, ...] = ()
    cut_short: tuple[int, ...] = ()  # ids of alarms cleared while the ring stood


@dataclass(frozen=True, slots=True)
class HeardExcerpt:
    """What the engine said of howl-free sound: all of it is false."""

    excerpt: Excerpt
    changes: tuple[RingChange, ...]
    # With the same sound in a reference channel beside; None where that was not tried.
    with_reference: tuple[RingChange, ...] | None = None


@dataclass(frozen=True, slots=True)
class Heard:
    """All records of a run."""

    cases: tuple[HeardCase, ...]
    excerpts: tuple[HeardExcerpt, ...]
