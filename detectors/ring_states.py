"""When a ring moves on: from what was seen of it to its next state."""

from prehowl.detectors.ring_level import has_come_down, is_steady, is_where_it_rose_from
from prehowl.detectors.rings import ALARMS, Ring, RingState
from prehowl.detectors.steadiness import still_bins

SUSPECT_HOLD_S = 1.0
"""A suspect that shows nothing new for this long is cleared, unless it keeps its level."""

SUSPECT_KEEPS_DB = 2.0
"""A suspect this little under its highest level still stands there."""

LINGERS_S = 1.5
"""A line that was found to linger may be silent for so long: its tails come and go."""

SUSPECT_LONGEST_S = 5.0
"""After so long without news a suspect that keeps its level is a note."""

LOST_AFTER_S = 0.3
"""A ring that no resolution sees as a peak for this long has stopped."""

BACK_DOWN_S = 1.0
"""An alarm that is back where it rose from, and has shown nothing new for so long, is over: the
line that is left stood there before."""

TAKEOVER_SHARE = 0.4
"""Share of the channel's power in one line that makes an alarmed ring a howl."""

TAKEOVER_S = 0.1
"""How long it must hold that share, counted from the alarm on."""

DROWNING_SHARE = 0.97
"""Share of the channel's power in a suspect at which it leaves nothing else to be heard."""

DROWNING_S = 0.4
"""A suspect that drowns all else for so long is alarmed: it may have risen where none could see."""

DROWNING_CENTS = 1.0
"""It must stand still meanwhile, as the loop's phase makes it: a whistler's tone does not."""


def next_state(ring: Ring, sample: int, rate_hz: int) -> RingState | None:
    """Return the state that a ring enters now, after `sample` samples; None: it stays.

    The table of these rules stands in docs/detection.md.
    """
    if ring.state is None:
        return RingState.RINGING if ring.suspicion >= 1 else RingState.SUSPECT
    if _has_stopped(ring, sample, rate_hz):
        return RingState.CLEARED
    held_s = -1.0
    if ring.takeover_sample is not None:
        held_s = (sample - ring.takeover_sample) / rate_hz
    if ring.state is RingState.SUSPECT:
        # A held note drowns what it will: what only lingers must rise to be alarmed.
        drowns = held_s >= DROWNING_S and rose(ring, sample, rate_hz)
        alarms = ring.suspicion >= 1 or drowns
        return RingState.RINGING if alarms else None
    takes_over = ring.state is RingState.RINGING and held_s >= TAKEOVER_S
    return RingState.HOWLING if takes_over else None


def take_share(ring: Ring, share: float, sample: int) -> None:
    """Take in what share of its channel's power a ring holds: since when it is all there is."""
    needed = TAKEOVER_SHARE if ring.state in ALARMS else DROWNING_SHARE
    if share < needed or _sinks(ring):
        ring.takeover_sample = None
    elif ring.takeover_sample is None or _moves_on(ring):
        ring.takeover_sample = sample
        ring.takeover_hz = ring.frequency_hz


def _has_stopped(ring: Ring, sample: int, rate_hz: int) -> bool:
    if ring.state is RingState.SUSPECT and _lingers(ring, sample, rate_hz):
        return False
    if (sample - ring.seen_sample) / rate_hz > LOST_AFTER_S:
        return True
    if has_come_down(ring, rate_hz):
        return True
    silent_s = (sample - ring.proof_sample) / rate_hz
    if ring.state is not RingState.SUSPECT:
        is_back = is_where_it_rose_from(ring, ring.level_dbfs)
        return is_back and is_steady(ring) and silent_s > BACK_DOWN_S
    keeps = ring.level_dbfs > ring.top_dbfs - SUSPECT_KEEPS_DB
    return silent_s > (SUSPECT_LONGEST_S if keeps else SUSPECT_HOLD_S)


def rose(ring: Ring, sample: int, rate_hz: int) -> bool:
    """Tell whether it was a rise, and not long ago, that spoke for a ring."""
    since = ring.rise_sample
    return since is not None and (sample - since) / rate_hz <= SUSPECT_LONGEST_S


def _lingers(ring: Ring, sample: int, rate_hz: int) -> bool:
    since = ring.lingers_sample
    return since is not None and (sample - since) / rate_hz <= LINGERS_S


def _sinks(ring: Ring) -> bool:
    """Tell whether a suspect is under its highest level: a note that decays, or trembles."""
    return ring.state not in ALARMS and ring.level_dbfs < ring.top_dbfs - SUSPECT_KEEPS_DB


def _moves_on(ring: Ring) -> bool:
    """Tell whether a suspect that drowns all else has left the place where it began to."""
    away = abs(ring.frequency_hz - ring.takeover_hz) / ring.bin_hz
    still = still_bins(ring.takeover_hz / ring.bin_hz, DROWNING_CENTS)
    return ring.state not in ALARMS and bool(away > still)
