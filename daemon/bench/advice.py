"""Apply the advised cut to the case's own loop: whether the howl stops, and whether less would do.

The cut goes in as a graphic equaliser's peaking filter at the exact centre of the advised band.
The howl has stopped when no frequency within a third of an octave of the ring at which the loop's
phase is a multiple of 360 degrees has a gain of 0 dB or more: Nyquist's condition, from the path
and the filter alone. The filter's own phase moves those frequencies, which is in the count.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.bench import paths, plants, score
from prehowl.daemon.bench.cases import TrueRing
from prehowl.daemon.bench.records import AppliedCut
from prehowl.daemon.bench.specs import Spec
from prehowl.detectors.bands import NOMINAL_HZ, exact_centres_hz
from prehowl.detectors.rings import RingChange, RingState

Real = NDArray[np.float64]

MOMENTS = ("at once", "after a second")
"""`at once`: the first alarm's cut against the loop as it is at that moment. `after a second`: the
newest cut that the ring's alarms have named by then, against the loop of that time (never after
somebody pulled the gain or the band)."""
REACTION_S = 1.0
NEAR_OCTAVES = 1 / 3
MOST_DB = 24.0
"""A fader that does not stop the ring with so much does not stop it."""
GRID_DENSITY = 32
"""Points per bin of the path's own length, where the phase is looked at."""
SILENT_DB = -120.0
ALARMS = (RingState.RINGING, RingState.HOWLING)


def cuts_of(
    spec: Spec, rings: Sequence[TrueRing], changes: Sequence[RingChange], rate_hz: int
) -> tuple[AppliedCut, ...]:
    """Apply what was advised for each alarmed ring of a case, at each of `MOMENTS`.

    A held loop has nothing to cut, and a ring without alarm no advice.
    """
    told = [s for s in score.stories(changes, rate_hz) if s.alarm_s is not None]
    found: list[AppliedCut] = []
    plant = None
    for ring in () if spec.is_held else rings:
        story = next((s for s in told if score.belongs(s, ring)), None)
        if story is None or story.alarm_s is None:
            continue
        told.remove(story)
        plant = plant or plants.draw_plant(spec, rate_hz)
        alarms = [c for c in changes if c.id == story.id and c.state in ALARMS]
        latest_s = spec.seconds if plant.pull_s is None else plant.pull_s
        later_s = max(story.alarm_s, min(story.alarm_s + REACTION_S, latest_s))
        by_then = [c for c in alarms if c.sample <= later_s * rate_hz]
        for moment, time_s, change in zip(
            MOMENTS, (story.alarm_s, later_s), (alarms[0], by_then[-1]), strict=True
        ):
            loop = NearLoop(*plant.loop_at(spec.kind, time_s, rate_hz), ring.frequency_hz, rate_hz)
            found.append(applied(spec.kind, moment, change, ring.frequency_hz, loop))
    return tuple(found)


def applied(
    kind: str, moment: str, change: RingChange, ring_hz: float, loop: "NearLoop"
) -> AppliedCut:
    """Return what one change's advice does to a loop."""
    centre_hz = float(exact_centres_hz()[NOMINAL_HZ.index(change.band_hz)])
    cut_db = change.cut_db
    return AppliedCut(
        kind=kind,
        moment=moment,
        ring_hz=ring_hz,
        band_hz=change.band_hz,
        cut_db=cut_db,
        excess_db=loop.gain_db(centre_hz, 0.0),
        needed_db=loop.needed_db(centre_hz),
        stops=cut_db is not None and loop.gain_db(centre_hz, cut_db) < 0,
    )


class NearLoop:
    """A loop's gain in the neighbourhood of one ring.

    Parameters
    ----------
    taps : ndarray, shape (taps,)
    gain_db : float
        In front of the path.
    ring_hz : float
    rate_hz : int
    """

    def __init__(self, taps: Real, gain_db: float, ring_hz: float, rate_hz: int) -> None:
        size = GRID_DENSITY * 2 ** int(np.ceil(np.log2(max(64, len(taps)))))
        reach = 2**NEAR_OCTAVES
        step = rate_hz / size
        first, last = int(ring_hz / reach / step), int(min(ring_hz * reach, rate_hz / 2) / step)
        self._rate_hz = rate_hz
        self._turn = np.exp(-2j * np.pi * np.arange(first, last + 1) / size)
        self._response = np.fft.rfft(taps, size)[first : last + 1] * 10 ** (gain_db / 20)

    def gain_db(self, centre_hz: float, cut_db: float) -> float:
        """Return the greatest loop gain at a phase of 0 mod 360 degrees, with a band cut, in dB.

        `SILENT_DB` if there is no such frequency near.
        """
        b, a = paths.peaking_filter(centre_hz, cut_db, self._rate_hz)
        z = self._turn
        loop = self._response * (b[0] + z * (b[1] + z * b[2])) / (a[0] + z * (a[1] + z * a[2]))
        real, imag = loop.real, loop.imag
        at = np.flatnonzero((imag[:-1] < 0) != (imag[1:] < 0))
        share = imag[at] / (imag[at] - imag[at + 1])
        # Between two points the magnitude is smoother than the real part that turns with the phase.
        size = np.where(real[at] + real[at + 1] > 0, np.abs(loop[at]), 0.0)
        size = size + share * (np.abs(loop[at + 1]) - size) * (size > 0)
        strongest = max(10 ** (SILENT_DB / 20), float(size.max(initial=0.0)))
        return 20 * float(np.log10(strongest))

    def needed_db(self, centre_hz: float) -> float | None:
        """Return the least cut of a band's fader that stops the ring, to 0.01 dB; None if none."""
        if self.gain_db(centre_hz, 0.0) < 0:
            return 0.0
        low, high = 0.0, MOST_DB
        if self.gain_db(centre_hz, high) >= 0:
            return None
        while high - low > 0.01:
            middle = (low + high) / 2
            if self.gain_db(centre_hz, middle) < 0:
                high = middle
            else:
                low = middle
        return high
