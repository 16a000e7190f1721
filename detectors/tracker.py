"""Follow rings through their states, from the verdicts of all resolutions.

Rings are few, so they are plain objects in a list; the arrays end here. One ring is one
frequency on one channel, whichever resolution sees it.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.detectors.bands import nominal_hz
from prehowl.detectors.belonging import belongs, places_of
from prehowl.detectors.following import Sighting
from prehowl.detectors.frame import Frame, evidence_of, lowest_dbfs
from prehowl.detectors.loop import advised_cut_db, margin_db
from prehowl.detectors.loudest_line import stands_in_a_reference
from prehowl.detectors.ring_level import FALLEN_DB, is_watched, take_level, tells_level
from prehowl.detectors.ring_states import next_state, rose, take_share
from prehowl.detectors.rings import ALARMS, Ring, RingChange, RingState, move
from prehowl.detectors.stopped import (
    ECHO_S,
    LINGERING_ECHO_S,
    StoppedRings,
)
from prehowl.detectors.verdict import SUSPECT_FROM

LINGERS_ON = 0.5
"""A line lingers on until its suspicion is this far under a suspect's: it shall not flicker."""


@dataclass(frozen=True, slots=True)
class ChannelSetup:
    """What the engine should know of one channel."""

    loop_delay_s: float = 0.008  # wedge 1.5-2 m away plus 2-4 ms of electronics
    is_reference: bool = False  # cannot be in an acoustic loop: never alarmed
    sensitivity: float = 1.0  # 2: about twice as many false alarms; 0.5: half
    cut_cap_db: float = 6.0  # largest cut to advise
    fader_step_db: float = 0.5
    rang_hz: tuple[float, ...] = ()  # where it rang before, as at its ring-out


class RingTracker:
    """Turn verdicts into rings and their changes of state."""

    def __init__(self, setups: Sequence[ChannelSetup], rate_hz: int) -> None:
        self._setups = tuple(setups)
        self._rate_hz = rate_hz
        self._next_id = 1
        self.rings: list[Ring] = []
        self._stopped = StoppedRings(rate_hz)

    def set_up(self, setups: Sequence[ChannelSetup]) -> None:
        """Go by other setups of the same channels from now on."""
        self._setups = tuple(setups)

    @property
    def is_busy(self) -> bool:
        """Tell whether there is a ring to follow, or one that may be back."""
        return bool(self.rings or self._stopped)

    def see(self, frame: Frame) -> list[RingChange]:
        """Take one frame of one resolution; return what changed."""
        suspicion = frame.suspicion
        likely = np.flatnonzero(suspicion >= SUSPECT_FROM)
        if not (len(likely) or frame.verdict.lingers.any() or self._has_to_look(frame)):
            self._stopped.forget(frame.sample)
            return []
        self._follow(frame, suspicion, likely)
        if self._stopped:
            self._find_back(frame)
        if len(likely):
            self._find_new(frame, suspicion, likely[np.argsort(-suspicion[likely])])
        return self._judge(frame.sample)

    def finish(self, sample: int) -> list[RingChange]:
        """End the stream: every ring that is left is cleared."""
        left, self.rings = self.rings, []
        return [self._change(ring, RingState.CLEARED, sample) for ring in left]

    # known rings

    def _has_to_look(self, frame: Frame) -> bool:
        """Tell whether a frame without news matters to any ring that is, or was, followed."""
        bin_hz, sample, rate_hz = frame.now.bin_hz, frame.sample, frame.rate_hz
        is_one_watched = any(is_watched(ring, bin_hz, sample, rate_hz) for ring in self.rings)
        return is_one_watched or self._stopped.may_be_back(sample)

    def _follow(
        self, frame: Frame, suspicion: NDArray[np.float32], likely: NDArray[np.intp]
    ) -> None:
        visible = [ring for ring in self.rings if frame.covers(ring.frequency_hz)]
        bin_hz, sample, rate_hz = frame.now.bin_hz, frame.sample, frame.rate_hz
        rising = likely[~frame.verdict.lingers[likely]]
        watched = []
        for ring in visible:
            rises = len(rising) > 0 and bool(places_of(frame, rising, ring))
            if rises or is_watched(ring, bin_hz, sample, rate_hz):
                watched.append((ring, rises))
        if watched:
            channels = [ring.ch for ring, _ in watched]
            seen = frame.sighting(channels, [ring.frequency_hz for ring, _ in watched])
            for number, (ring, rises) in enumerate(watched):
                self._update(ring, frame, seen, number, rises=rises)
        still = np.flatnonzero(frame.verdict.lingers & (suspicion >= SUSPECT_FROM - LINGERS_ON))
        if not (len(still) or len(likely)):
            return
        for ring in visible:
            if ring.lingers_sample is not None and places_of(frame, still, ring):
                ring.lingers_sample = frame.sample
            self._take_news(ring, frame, suspicion, places_of(frame, likely, ring))

    def _update(
        self, ring: Ring, frame: Frame, seen: Sighting, number: int, *, rises: bool
    ) -> None:
        sample, bin_hz = frame.sample, frame.now.bin_hz
        if is_peak := bool(seen.is_peak[number]):
            ring.seen_sample = sample
        if tells_level(ring, bin_hz, sample, frame.rate_hz):
            level, slope = float(seen.level_dbfs[number]), float(seen.slope_db_per_s[number])
            take_level(ring, level, slope, sample, frame.rate_hz)
            is_up = level > ring.top_dbfs - FALLEN_DB
            # Between its tails a line that lingers is not told from the noise beside it.
            if is_peak and is_up and (rises or ring.rise_sample is not None):
                ring.frequency_hz = float(seen.frequency_hz[number])
                ring.bin_hz = bin_hz
        take_share(ring, float(seen.share[number]), sample)

    def _take_news(
        self, ring: Ring, frame: Frame, suspicion: NDArray[np.float32], places: list[int]
    ) -> None:
        """Hear the most telling of a ring's places: a rise before a line that lingers."""
        lingers = frame.verdict.lingers
        if ring.state in ALARMS or rose(ring, frame.sample, frame.rate_hz):
            places = [place for place in places if not lingers[place]]  # falls tell of no rise
        if places:
            best = max(places, key=lambda place: (not lingers[place], suspicion[place]))
            self._hear_news(ring, frame, best, float(suspicion[best]))

    def _hear_news(self, ring: Ring, frame: Frame, place: int, suspicion: float) -> None:
        if frame.verdict.lingers[place]:
            ring.lingers_sample = frame.sample
            ring.frequency_hz = float(frame.place_hz(place))
        else:
            is_first = ring.state not in ALARMS and not rose(ring, frame.sample, frame.rate_hz)
            if is_first and not frame.verdict.stands[place]:
                ring.start_dbfs = lowest_dbfs(frame, ring.ch, int(frame.verdict.bin[place]))
            ring.rise_sample = frame.sample
        ring.suspicion = suspicion
        ring.proof_sample = frame.sample
        ring.growth_db_per_s = _growth_now(ring, frame, place)
        ring.evidence = evidence_of(frame, ring.ch, int(frame.verdict.bin[place]))

    # new rings

    def _find_back(self, frame: Frame) -> None:
        """Alarm rings anew that stand again, though nothing has risen."""
        references = np.array([setup.is_reference for setup in self._setups])
        for back in self._stopped.back(frame):
            ch, frequency, level = back.before.ch, back.frequency_hz, back.level_dbfs
            bin_ = round(frequency / frame.now.bin_hz)
            is_music = stands_in_a_reference(frame.now, np.array([bin_]), references)[0]
            if not is_music and not self._is_known(frame, ch, frequency, level, echo_s=0.0):
                ring = self._begin(frame, ch, bin_, frequency, level)
                self._stopped.take(back)
                ring.is_back, ring.start_dbfs = True, back.before.start_dbfs
                ring.alarm_dbfs = back.before.alarm_dbfs
                ring.growth_db_per_s = back.before.growth_db_per_s  # of the same loop
                ring.suspicion = 1.0
                ring.rise_sample = frame.sample

    def _find_new(
        self, frame: Frame, suspicion: NDArray[np.float32], likely: NDArray[np.intp]
    ) -> None:
        verdict = frame.verdict
        seen = frame.sighting(verdict.ch[likely].tolist(), frame.place_hz(likely).tolist())
        for number, place in enumerate(likely):
            ch, bin_ = int(verdict.ch[place]), int(verdict.bin[place])
            lingers = bool(verdict.lingers[place])
            frequency = float(frame.place_hz(place) if lingers else seen.frequency_hz[number])
            level = float(seen.level_dbfs[number])
            # A lone tone lingers in no mean: it is there now.
            echo_s = LINGERING_ECHO_S if lingers and not verdict.stands[place] else ECHO_S
            if self._is_known(frame, ch, frequency, level, echo_s):
                continue
            ring = self._begin(frame, ch, bin_, frequency, level)
            since = round(float(verdict.duration_s[place]) * frame.rate_hz)
            ring.onset_sample = max(0, frame.sample - since)
            ring.growth_db_per_s = growth = _growth_at(frame, int(place))
            ring.slope_db_per_s = growth or 0.0
            ring.suspicion = float(suspicion[place])
            take_share(ring, float(seen.share[number]), frame.sample)
            if lingers:
                ring.lingers_sample = frame.sample
                continue
            ring.rise_sample = frame.sample
            if not verdict.stands[place]:
                ring.start_dbfs = lowest_dbfs(frame, ch, bin_)

    def _begin(
        self, frame: Frame, ch: int, bin_: int, frequency_hz: float, level_dbfs: float
    ) -> Ring:
        """Follow a ring from this frame on."""
        ring = Ring(
            id=self._next_id,
            ch=ch,
            state=None,
            frequency_hz=frequency_hz,
            bin_hz=frame.now.bin_hz,
            onset_sample=frame.sample,
            level_dbfs=level_dbfs,
            top_dbfs=level_dbfs,
            growth_db_per_s=None,
            slope_db_per_s=0.0,
            suspicion=0.0,
            seen_sample=frame.sample,
            level_sample=frame.sample,
            proof_sample=frame.sample,
            evidence=evidence_of(frame, ch, bin_),
        )
        self._next_id += 1
        self.rings.append(ring)
        return ring

    def _is_known(
        self, frame: Frame, ch: int, frequency_hz: float, level_dbfs: float, echo_s: float
    ) -> bool:
        """Tell whether this belongs to a ring that is followed or has only just stopped."""
        rings = [*self.rings, *self._stopped.echoing(frame.sample, echo_s)]
        bin_hz = frame.now.bin_hz
        return any(
            ring.ch == ch and belongs(ring, frequency_hz, level_dbfs, bin_hz) for ring in rings
        )

    # states

    def _judge(self, sample: int) -> list[RingChange]:
        changes = []
        for ring in self.rings:
            state = next_state(ring, sample, self._rate_hz)
            if state is not None:
                changes.append(self._change(ring, state, sample))
        self._stopped.forget(sample)
        for ring in self.rings:
            if ring.state is RingState.CLEARED:
                self._stopped.add(ring, sample)
        self.rings = [ring for ring in self.rings if ring.state is not RingState.CLEARED]
        return changes

    def _change(self, ring: Ring, state: RingState, sample: int) -> RingChange:
        ring.state = move(ring.state, state)
        if state is RingState.RINGING:
            ring.takeover_sample = None  # from now on another share counts
            ring.alarm_dbfs = min(ring.alarm_dbfs, ring.level_dbfs)
        ring.has_howled |= state is RingState.HOWLING
        setup = self._setups[ring.ch]
        over = state is RingState.CLEARED
        growth = ring.slope_db_per_s if over else ring.growth_db_per_s
        margin = None if growth is None else margin_db(growth, setup.loop_delay_s)
        cap, step = setup.cut_cap_db, setup.fader_step_db
        cut = advised_cut_db(margin, ring.frequency_hz, cap_db=cap, step_db=step)
        return RingChange(
            id=ring.id,
            ch=ring.ch,
            state=state,
            sample=sample,
            onset_sample=ring.onset_sample,
            frequency_hz=ring.frequency_hz,
            band_hz=nominal_hz(ring.frequency_hz),
            level_dbfs=ring.level_dbfs,
            growth_db_per_s=growth,
            margin_db=None if over else margin,
            cut_db=None if over else cut,
            evidence=ring.evidence,
        )


def _growth_at(frame: Frame, place: int) -> float | None:
    growth = float(frame.verdict.growth_db_per_s[place])
    return None if np.isnan(growth) else growth


def _growth_now(ring: Ring, frame: Frame, place: int) -> float | None:
    """Return the growth to tell of a ring of which there is news.

    What is an alarm has arrived, or soon will: from then on a rise flattens, and says nothing of
    the loop. So its growth does not go down any more; nor by what a lone tone did lately.
    """
    before, growth = ring.growth_db_per_s, _growth_at(frame, place)
    has_arrived = ring.state in ALARMS or bool(frame.verdict.stands[place])
    if has_arrived and before is not None and before < 0:
        before = None  # how its tails fell says nothing of what stands now
    if growth is None or before is None:
        return growth if before is None else before
    return max(growth, before) if has_arrived else growth
