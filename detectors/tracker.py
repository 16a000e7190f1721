"""Follow rings through their states, from the verdicts of all resolutions.

Rings are few, so they are plain objects in a list; the arrays of lines end here. One ring is one
frequency on one channel, whichever resolution sees it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from prehowl.detectors import HOWL_TESTS
from prehowl.detectors.bands import nominal_hz
from prehowl.detectors.belief import SUSPECT_FROM, Verdict
from prehowl.detectors.lines import LineView
from prehowl.detectors.loop import advised_cut_db, margin_db
from prehowl.detectors.rings import RingChange, RingState, move
from prehowl.detectors.steadiness import wander_bins

SUSPECT_HOLD_S = 1.0
"""A suspect that shows nothing new for this long is cleared."""

LOST_AFTER_S = 0.3
"""A ring that no resolution sees as a peak for this long has stopped."""

FALLEN_DB = 10.0
"""A ring that has fallen this far from its highest level, and still falls, has stopped."""

TAKEOVER_SHARE = 0.4
"""Share of the channel's power in one line that makes an alarmed ring a howl."""

TAKEOVER_S = 0.04
"""How long it must hold that share."""

SAME_CENTS = 50.0
"""Two lines nearer than this are one ring (a semitone is 100)."""

ECHO_S = 0.3
"""For so long after a ring has stopped, its frequency is not news: long frames and the running
belief still hold it when short frames have seen it end."""

HARMONICS = range(2, 10)
"""A clipping amplifier makes these of a howl; they are not rings of their own."""


@dataclass(frozen=True, slots=True)
class ChannelSetup:
    """What the engine should know of one channel."""

    loop_delay_s: float = 0.008  # wedge 1.5-2 m away plus 2-4 ms of electronics
    is_reference: bool = False  # cannot be in an acoustic loop: never alarmed
    sensitivity: float = 1.0  # > 1 alarms on less evidence, < 1 asks for more
    cut_cap_db: float = 6.0  # largest cut to advise
    fader_step_db: float = 0.5


@dataclass
class Ring:
    """One ring while it lives."""

    id: int
    ch: int
    state: RingState | None
    frequency_hz: float
    bin_hz: float  # of the resolution that gave the frequency
    onset_sample: int
    level_dbfs: float
    top_dbfs: float
    growth_db_per_s: float
    slope_db_per_s: float  # now
    suspicion: float
    seen_sample: int  # last time that it was a peak
    proof_sample: int  # last time that the evidence reached that of a suspect
    takeover_sample: int | None = None  # since when it holds most of the channel's power
    evidence: Mapping[str, float | None] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Sight:
    """The lines of one frame in one resolution, with what was found of them."""

    view: LineView
    verdict: Verdict
    sample: int  # samples consumed at the end of the frame
    rate_hz: int


def cents_apart(a: float, b: float) -> float:
    """Return the distance of two frequencies in cents, >= 0."""
    return abs(1200 * float(np.log2(a / b)))


class RingTracker:
    """Turn verdicts into rings and their changes of state."""

    def __init__(self, setups: Sequence[ChannelSetup], rate_hz: int) -> None:
        self._setups = tuple(setups)
        self._rate_hz = rate_hz
        self._sensitivity = np.array([s.sensitivity for s in setups], np.float32)
        self._watched = np.array([not s.is_reference for s in setups], bool)
        self._next_id = 1
        self.rings: list[Ring] = []
        self._stopped: list[tuple[Ring, int]] = []  # with the sample at which each stopped

    def see(self, sight: Sight) -> list[RingChange]:
        """Take one frame of one resolution; return what changed."""
        for ring in self.rings:
            self._follow(ring, sight)
        self._find_new(sight)
        return self._judge(sight)

    def finish(self, sample: int) -> list[RingChange]:
        """End the stream: every ring that is left is cleared."""
        left, self.rings = self.rings, []
        return [self._change(ring, RingState.CLEARED, sample) for ring in left]

    # one ring against one frame

    def _follow(self, ring: Ring, sight: Sight) -> None:
        line = self._line_of(ring, sight.view)
        if line is None:
            return
        view, verdict = sight.view, sight.verdict
        row = view.row[line : line + 1]
        level, _, present = view.fast.last(row, 8)
        if present[0, -1]:
            ring.seen_sample = sight.sample
        ring.level_dbfs = float(view.level_dbfs[line])
        ring.top_dbfs = max(ring.top_dbfs, ring.level_dbfs)
        ring.slope_db_per_s = float(level[0, -1] - level[0, 0]) / (7 * view.hop_s)
        ring.suspicion = float(verdict.suspicion[line] * self._sensitivity[ring.ch])
        if ring.suspicion >= SUSPECT_FROM:
            ring.proof_sample = sight.sample
            ring.growth_db_per_s = float(verdict.growth_db_per_s[line])
            ring.evidence = evidence_of(view, line)
        if view.bin_hz <= 1.01 * ring.bin_hz:
            ring.frequency_hz = frequency_of(view, line)
            ring.bin_hz = view.bin_hz
        self._weigh_takeover(ring, sight)

    def _line_of(self, ring: Ring, view: LineView) -> int | None:
        mine = np.flatnonzero(view.ch == ring.ch)
        if not len(mine):
            return None
        away = np.abs(view.position[mine] * view.bin_hz - ring.frequency_hz)
        nearest = int(np.argmin(away))
        reach = max(0.6 * max(view.bin_hz, ring.bin_hz), 0.01 * ring.frequency_hz)
        return int(mine[nearest]) if away[nearest] <= reach else None

    def _weigh_takeover(self, ring: Ring, sight: Sight) -> None:
        # A tone of amplitude A spreads 1.5 A^2 over the bins of a Hann spectrum.
        total = float(sight.view.power[ring.ch].sum())
        share = 1.5 * 10 ** (ring.level_dbfs / 10) / max(total, 1e-14)
        if share < TAKEOVER_SHARE:
            ring.takeover_sample = None
        elif ring.takeover_sample is None:
            ring.takeover_sample = sight.sample

    # new rings

    def _find_new(self, sight: Sight) -> None:
        suspicion = sight.verdict.suspicion * self._sensitivity[sight.view.ch]
        likely = np.flatnonzero((suspicion >= SUSPECT_FROM) & self._watched[sight.view.ch])
        for line in likely[np.argsort(-suspicion[likely])]:
            if not self._is_known(sight.view, int(line)):
                self._add(sight, int(line), float(suspicion[line]))

    def _is_known(self, view: LineView, line: int) -> bool:
        """Tell whether a line belongs to a ring that is followed or has only just stopped."""
        ch = int(view.ch[line])
        for ring, _ in self._stopped:
            if ring.ch == ch and _is_near(view, line, ring):
                return True
        frequency = float(view.position[line]) * view.bin_hz
        level = float(view.level_dbfs[line])
        for ring in self.rings:
            if ring.ch != ch:
                continue
            if _is_near(view, line, ring):
                return True
            if (
                level < ring.level_dbfs - 25
                and abs(frequency - ring.frequency_hz) < 12 * view.bin_hz
            ):
                return True  # the window's own skirt of a ring that starts or stops abruptly
            if level < ring.level_dbfs - 5 and _is_multiple(frequency, ring.frequency_hz):
                return True
        return False

    def _add(self, sight: Sight, line: int, suspicion: float) -> None:
        view, verdict = sight.view, sight.verdict
        since = round(float(verdict.duration_s[line]) * sight.rate_hz)
        growth = float(verdict.growth_db_per_s[line])
        ring = Ring(
            id=self._next_id,
            ch=int(view.ch[line]),
            state=None,
            frequency_hz=frequency_of(view, line),
            bin_hz=view.bin_hz,
            onset_sample=max(0, sight.sample - since),
            level_dbfs=float(view.level_dbfs[line]),
            top_dbfs=float(view.level_dbfs[line]),
            growth_db_per_s=growth,
            slope_db_per_s=growth,
            suspicion=suspicion,
            seen_sample=sight.sample,
            proof_sample=sight.sample,
            evidence=evidence_of(view, line),
        )
        self._next_id += 1
        self.rings.append(ring)

    # states

    def _judge(self, sight: Sight) -> list[RingChange]:
        changes = []
        for ring in self.rings:
            state = self._next_state(ring, sight.sample)
            if state is not None:
                changes.append(self._change(ring, state, sight.sample))
        over = [ring for ring in self.rings if ring.state is RingState.CLEARED]
        self.rings = [ring for ring in self.rings if ring.state is not RingState.CLEARED]
        echo = round(ECHO_S * self._rate_hz)
        recent = [(ring, at) for ring, at in self._stopped if sight.sample - at < echo]
        self._stopped = recent + [(ring, sight.sample) for ring in over]
        return changes

    def _next_state(self, ring: Ring, sample: int) -> RingState | None:
        if ring.state is None:
            return RingState.RINGING if ring.suspicion >= 1 else RingState.SUSPECT
        if self._has_stopped(ring, sample):
            return RingState.CLEARED
        if ring.state is RingState.SUSPECT and ring.suspicion >= 1:
            return RingState.RINGING
        if ring.state is RingState.RINGING and ring.takeover_sample is not None:
            held_s = (sample - ring.takeover_sample) / self._rate_hz
            return RingState.HOWLING if held_s >= TAKEOVER_S else None
        return None

    def _has_stopped(self, ring: Ring, sample: int) -> bool:
        if (sample - ring.seen_sample) / self._rate_hz > LOST_AFTER_S:
            return True
        if ring.level_dbfs < ring.top_dbfs - FALLEN_DB and ring.slope_db_per_s < 0:
            return True
        silent_s = (sample - ring.proof_sample) / self._rate_hz
        return ring.state is RingState.SUSPECT and silent_s > SUSPECT_HOLD_S

    def _change(self, ring: Ring, state: RingState, sample: int) -> RingChange:
        ring.state = move(ring.state, state)
        setup = self._setups[ring.ch]
        over = state is RingState.CLEARED
        growth = ring.slope_db_per_s if over else ring.growth_db_per_s
        margin = margin_db(growth, setup.loop_delay_s)
        cut = (
            None
            if over
            else advised_cut_db(
                margin, ring.frequency_hz, cap_db=setup.cut_cap_db, step_db=setup.fader_step_db
            )
        )
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
            cut_db=cut,
            evidence=ring.evidence,
        )


def _is_near(view: LineView, line: int, ring: Ring) -> bool:
    frequency = float(view.position[line]) * view.bin_hz
    reach = max(1.5 * view.bin_hz, 0.03 * ring.frequency_hz)
    return abs(frequency - ring.frequency_hz) < reach


def _is_multiple(frequency_hz: float, base_hz: float) -> bool:
    return any(cents_apart(frequency_hz, n * base_hz) < SAME_CENTS for n in HARMONICS)


def frequency_of(view: LineView, line: int) -> float:
    """Return a line's mean frequency over its last 8 frames, Hz, weighted with amplitude."""
    level, position, present = view.fast.last(view.row[line : line + 1], 8)
    mean, _ = wander_bins(level, position, present)
    return float(mean[0] if present.any() else view.position[line]) * view.bin_hz


def evidence_of(view: LineView, line: int) -> dict[str, float | None]:
    """Return what every howl test says of one line."""
    one = view.only(np.array([line]))
    return {name: float(test(one)[0]) for name, test in HOWL_TESTS.items()}
