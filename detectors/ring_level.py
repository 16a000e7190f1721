"""How loud a ring is by now, and whether it has come down from where it was.

One resolution tells it, the finest that sees the ring: in a short frame any knock, or any note
near by, is part of the ring's level.
"""

from prehowl.detectors.rings import ALARMS, Ring

FALLEN_DB = 10.0
"""A ring so far under its highest level has come down."""

FALLEN_S = 0.3
"""For so long it must have: a block that was lost, or a hit that drowns all, is over sooner."""

OVERLAID_S = 1.0
"""An alarm at no less than the level at which it was alarmed may be the rest of something louder
that fades; it is waited for so long."""

STEADY_DB_PER_S = 5.0
"""What moves less than this stands still."""

FINER = 1.01
"""Bins narrower than a ring's by no more than rounding are of the same resolution."""

BACK_DOWN_DB = 2.0
"""A line this little over the level from which it rose is back where it was."""

LINGERING_EVERY_S = 0.05
"""A line that lingers and has not risen is looked at no more often."""

GONE_S = 0.2
"""Where the finest resolution has told nothing for so long it was left out; the next one tells."""


def is_fine_enough(ring: Ring, bin_hz: float) -> bool:
    """Tell whether frames with such bins see the ring as finely as it was seen before."""
    return bin_hz <= FINER * ring.bin_hz


def is_where_it_rose_from(ring: Ring, level_dbfs: float) -> bool:
    """Tell whether a line of such a level is what stood at the ring's place before it rose."""
    start = ring.start_dbfs
    return start is not None and level_dbfs <= start + BACK_DOWN_DB


def tells_level(ring: Ring, bin_hz: float, sample: int, rate_hz: int) -> bool:
    """Tell whether a frame with such bins is one to read the ring's level from."""
    is_left_out = (sample - ring.level_sample) / rate_hz > GONE_S
    return is_left_out or is_fine_enough(ring, bin_hz)


def is_watched(ring: Ring, bin_hz: float, sample: int, rate_hz: int) -> bool:
    """Tell whether a frame with such bins is one to look at the ring in at all.

    What only lingers moves slowly. It is looked at where its level is told, and now and then:
    suspects on some channel are common, and a look costs as much for one ring as for ten. Where
    those frames are left out it is looked at every `GONE_S`, and cleared as much later.
    """
    if ring.rise_sample is not None:
        return True
    is_due = (sample - ring.level_sample) / rate_hz >= LINGERING_EVERY_S
    return is_due and tells_level(ring, bin_hz, sample, rate_hz)


def take_level(
    ring: Ring, level_dbfs: float, slope_db_per_s: float, sample: int, rate_hz: int
) -> None:
    """Take in what such a frame says; see `tells_level`."""
    ring.level_dbfs, ring.slope_db_per_s, ring.level_sample = level_dbfs, slope_db_per_s, sample
    ring.top_dbfs = max(ring.top_dbfs, level_dbfs)
    if level_dbfs > ring.top_dbfs - FALLEN_DB:
        ring.down_sample = None
    elif ring.down_sample is None:
        ring.down_sample = sample
    elif _is_down(ring, rate_hz) and is_steady(ring) and _keeps_level(ring):
        # Something louder at its place has passed: a vowel, a hit.
        ring.top_dbfs, ring.down_sample = level_dbfs, None


def has_come_down(ring: Ring, rate_hz: int) -> bool:
    """Tell whether a ring has fallen from its highest level, and not only for a moment."""
    if not _is_down(ring, rate_hz) or ring.slope_db_per_s >= STEADY_DB_PER_S:
        return False
    down_s = (ring.level_sample - (ring.down_sample or 0)) / rate_hz
    return down_s >= OVERLAID_S or not _keeps_level(ring)


def is_steady(ring: Ring) -> bool:
    """Tell whether a ring's level stands still."""
    return abs(ring.slope_db_per_s) < STEADY_DB_PER_S


def _is_down(ring: Ring, rate_hz: int) -> bool:
    down = ring.down_sample
    return down is not None and (ring.level_sample - down) / rate_hz >= FALLEN_S


def _keeps_level(ring: Ring) -> bool:
    """Tell whether an alarmed ring is a line at no less than the level at which it was alarmed."""
    is_seen = ring.seen_sample >= ring.level_sample
    return ring.state in ALARMS and is_seen and ring.level_dbfs >= ring.alarm_dbfs
