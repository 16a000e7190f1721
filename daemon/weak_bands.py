"""The bands of a channel that are known to be weak, from its EQ sheet, and what an event gains."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from prehowl.daemon.events import RingEvent
from prehowl.detectors.bands import NOMINAL_HZ, band_index


@dataclass(frozen=True, slots=True)
class WeakBands:
    """What one channel's sheet says of its bands, all by nominal centre in Hz."""

    sheet: str  # its name, for people
    cut_db: Mapping[float, float]  # faders that are down, > 0
    capped: frozenset[float]  # of these, the ones that may go no further
    rung: frozenset[float]  # bands in which something rang at the ring-out
    ring_hz: tuple[float, ...] = ()  # the frequencies of those rings

    @property
    def indices(self) -> frozenset[int]:
        """Return the weak bands as indices 0..30: cut, or rung before."""
        return frozenset(int(band_index(hz)) for hz in {*self.cut_db, *self.rung})


def with_sheet(event: RingEvent, weak: WeakBands | None) -> RingEvent:
    """Return the event with what the channel's sheet says of its band, if it says anything."""
    if weak is None or event.band_hz not in weak.cut_db:
        return event
    return replace(
        event,
        sheet_cut_db=weak.cut_db[event.band_hz],
        sheet_at_cap=event.band_hz in weak.capped,
    )


def weak_bands(
    sheet: str,
    faders_db: tuple[float, ...],
    capped: frozenset[int],
    rung_hz: frozenset[float],
    ring_hz: tuple[float, ...],
) -> WeakBands:
    """Return the weak bands of a setting.

    Parameters
    ----------
    sheet : str
        Its name.
    faders_db : tuple of float
        All 31.
    capped : frozenset of int
        Indices of those at their cap.
    rung_hz : frozenset of float
        Nominal centres of the bands that rang.
    ring_hz : tuple of float
        Where, exactly.
    """
    cuts = {float(hz): -gain for hz, gain in zip(NOMINAL_HZ, faders_db, strict=True) if gain < 0}
    return WeakBands(sheet, cuts, frozenset(float(NOMINAL_HZ[n]) for n in capped), rung_hz, ring_hz)


def from_indices(bands: frozenset[int]) -> WeakBands:
    """Return what is left of a sheet where only the bands are told: that they are weak."""
    return WeakBands("", {}, frozenset(), frozenset(float(NOMINAL_HZ[n]) for n in bands))
