"""Gather, for every peak that rises, what speaks for and against a ring.

One row is one peak over one span of time. The columns are plain physical figures; `belief` weighs
them. The same rows are what the bench collects to fit those weights.

Most peaks of music do not rise, so the cheap look of `climbers` comes first and all else is done
for few.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors import harmonics, neighbours
from prehowl.detectors.climbers import LEAST_CLIMB_DB, find_climbers
from prehowl.detectors.growth import Rise, fit, slope, slope_of_the_last
from prehowl.detectors.memory import SpectrumMemory
from prehowl.detectors.peaks import Peaks
from prehowl.detectors.spectrum import decibels
from prehowl.detectors.steadiness import CENTS_PER_NEPER, wander_bins
from prehowl.detectors.tracks import Figures, Now, Tracks, look_back

COLUMNS = (
    "rise_db",  # height of the straight line fitted to the level
    "duration_s",  # time over which it was seen to rise
    "residual_db",  # root mean square off that line
    "late_share",  # slope of the later half against the whole: an attack flattens
    "last_share",  # slope of the last quarter against the whole
    "wander",  # frequency deviation against what the neighbours explain
    "wander_cents",
    "share",  # of looks in which it was a peak
    "pnpr_db",
    "relative_db",  # tone against the channel's power of the last second
    "now_db",  # tone against the channel's power of this frame
    "rest_rise_db",  # how far the rest of the channel rose in the same time
    "crowd_rise_db",  # the same without the strongest other riser, which may be a ring too
    "flank_rise_db",  # how far the foot of its main lobe rose
    "record_db",  # level against the loudest at this place before it began to rise
    "company",  # other peaks of the channel that rise by half as much or more
    "phpr_db",
    "growth_db_per_s",
    "frequency_hz",
    "frame_s",
)
COLUMN = {name: number for number, name in enumerate(COLUMNS)}

SMALLEST_RISE_DB = 2 * LEAST_CLIMB_DB
LARGEST_RESIDUAL_DB = 3.0
LARGEST_SMEAR_DB = 22.0
"""Growth within one frame beyond which a spectrum shows the window's skirt, not the tone."""

RECORD_LOOKS = 16
"""How many moments of the long past are read."""


@dataclass(frozen=True, slots=True)
class Rising:
    """Peaks that rise; one row a peak and span."""

    ch: NDArray[np.intp]  # (rows,)
    bin: NDArray[np.intp]  # (rows,)
    figures: Figures  # (rows, columns)

    def column(self, name: str) -> Figures:
        """Return one column of the figures."""
        return np.asarray(self.figures[:, COLUMN[name]])


def none_rising() -> Rising:
    """Return no rows."""
    none = np.zeros(0, np.intp)
    return Rising(none, none, np.zeros((0, len(COLUMNS)), np.float32))


def joined(parts: Sequence[Rising]) -> Rising:
    """Return the rows of all parts."""
    some = [part for part in parts if len(part.ch)]
    if len(some) < 2:
        return some[0] if some else none_rising()
    return Rising(
        np.concatenate([part.ch for part in some]),
        np.concatenate([part.bin for part in some]),
        np.concatenate([part.figures for part in some]),
    )


def gather(
    now: Now,
    peaks: Peaks,
    memory: SpectrumMemory,
    steps: Sequence[int],
    longest: SpectrumMemory,
    is_reference: NDArray[np.bool_],
) -> Rising:
    """Return a row for each peak and span in which it rises straight enough.

    Parameters
    ----------
    now : Now
        The newest frame.
    peaks : Peaks
        Of that frame.
    memory : SpectrumMemory
        Its past.
    steps : sequence of int
        Frames of the memory from look to look, one for each span.
    longest : SpectrumMemory
        The memory that reaches back farthest in this resolution.
    is_reference : ndarray of bool, shape (channels,)
        Channels that cannot be in a loop: what rises there rises in no loop.
    """
    climbers = find_climbers(peaks, memory, steps, is_reference)
    if not len(climbers.peak):
        return none_rising()
    ch, bins = peaks.ch[climbers.peak], peaks.bin[climbers.peak]
    tracks = look_back(now, memory, ch, bins, climbers.step)
    rise = fit(tracks.level_dbfs, tracks.present)
    seen_s = rise.looks * tracks.step_s
    keep = (rise.rise_db >= SMALLEST_RISE_DB) & (rise.residual_db <= LARGEST_RESIDUAL_DB)
    keep &= rise.slope * np.float32(tracks.frame_s) <= LARGEST_SMEAR_DB * tracks.step_s
    keep &= (rise.looks >= 4) & (seen_s >= 1.05 * tracks.frame_s) & (rise.share >= 0.7)
    kept = np.flatnonzero(keep)
    if not len(kept):
        return none_rising()
    tracks, rise, company = tracks.only(kept), rise.only(kept), climbers.company[kept]
    late = slope_of_the_last(tracks.level_dbfs, tracks.present, rise, 0.5) / rise.slope
    last = slope_of_the_last(tracks.level_dbfs, tracks.present, rise, 0.25) / rise.slope
    # Leave out what has stopped rising: an attack that reached its note.
    kept = np.flatnonzero((late > 0.4) & (last > 0.2))
    if not len(kept):
        return none_rising()
    tracks, rise = tracks.only(kept), rise.only(kept)
    shares = {"late_share": late[kept], "last_share": last[kept], "company": company[kept]}
    figures = _figures(tracks, rise, shares, _record_db(tracks, rise, longest))
    return Rising(tracks.ch, tracks.bin, figures)


def _record_db(tracks: Tracks, rise: Rise, longest: SpectrumMemory) -> Figures:
    """Return the level now against the loudest before the rise: a note comes back, a ring not."""
    back = longest.frames // RECORD_LOOKS * np.arange(RECORD_LOOKS)
    index = (tracks.ch * longest.bins + tracks.bin)[:, None]
    earlier = longest.past(index, np.broadcast_to(back, (len(tracks.ch), len(back))))[:, :, 0]
    before = back * np.float32(longest.hop_s) > (rise.looks * tracks.step_s)[:, None]
    loudest = decibels(np.where(before, earlier, 0).max(axis=1))
    return np.asarray(tracks.level_dbfs[:, -1] - loudest, np.float32)


def _strongest_other(tracks: Tracks, tone: Figures) -> Figures:
    """Return the past power of the strongest other riser on each track's channel, or 0.

    Two rings may pass the limit together, and neither should speak against the other; a note
    brings more than one partial.
    """
    alike = tracks.ch[:, None] == tracks.ch
    alike &= tracks.step_s[:, None] == tracks.step_s
    alike &= np.abs(tracks.bin[:, None] - tracks.bin) > 4
    strength = np.where(alike, tone[:, -1], 0)
    other = strength.argmax(axis=1)
    return np.where(alike.any(axis=1)[:, None], tone[other], 0)


def _figures(tracks: Tracks, rise: Rise, shares: dict[str, Figures], record_db: Figures) -> Figures:
    level, present = tracks.level_dbfs, tracks.present
    mean, deviation = wander_bins(level, tracks.position, present)
    tone = np.asarray(np.float32(1.5) * np.float32(10) ** (level / 10), np.float32)
    # Of the newest total: of each look's own, the rest of a lone tone would seem to rise with it.
    least = np.float32(0.01) * tracks.total_past[:, -1:]
    rest = np.maximum(tracks.total_past - tone * present, least)
    crowd = np.maximum(rest - _strongest_other(tracks, tone), least)
    pnpr = neighbours.measure(tracks)
    now_db = decibels(tone[:, -1])
    columns = {
        "rise_db": rise.rise_db,
        "duration_s": rise.looks * tracks.step_s,
        "residual_db": rise.residual_db,
        # What the neighbours do to the interpolated place of a tone: their amplitude against its.
        "wander": deviation / (0.03 + 0.35 * 10 ** (-pnpr / 20)),
        "wander_cents": CENTS_PER_NEPER * deviation / np.maximum(mean, 1),
        "share": rise.share,
        "pnpr_db": pnpr,
        "relative_db": now_db - decibels(tracks.recent_power[tracks.ch]),
        "now_db": now_db - decibels(tracks.total[tracks.ch]),
        "rest_rise_db": slope(decibels(rest), present) * rise.looks,
        "crowd_rise_db": slope(decibels(crowd), present) * rise.looks,
        "flank_rise_db": slope(tracks.flank_dbfs, present) * rise.looks,
        "record_db": record_db,
        "phpr_db": harmonics.measure(tracks),
        "growth_db_per_s": rise.slope / tracks.step_s,
        "frequency_hz": mean * np.float32(tracks.bin_hz),
        **shares,
    }
    figures = np.empty((len(level), len(COLUMNS)), np.float32)
    for name, values in columns.items():
        figures[:, COLUMN[name]] = values
    figures[:, COLUMN["frame_s"]] = tracks.frame_s
    return figures
