"""What a ring-out knows at one moment: everything that a screen, a label or a journal needs.

Owns the words of a ring-out as types. How one state follows from another is `session`; what a
person or the machine can add is `acts`. Nothing here is changed in place.
"""

from dataclasses import dataclass, field
from enum import StrEnum

from prehowl.daemon.ringout.acts import RingHeard
from prehowl.detectors.bands import NOMINAL_HZ
from prehowl.detectors.graphic_eq import EqKind

BANDS = len(NOMINAL_HZ)
FLAT: tuple[float, ...] = (0.0,) * BANDS
DESK_RATE_HZ = 48000
"""At which the desk's equaliser is taken to run; below 10 kHz another rate changes hundredths."""


class Phase(StrEnum):
    """What is to be done now."""

    LISTENING = "listening"  # nothing rings: a little more gain, or a step nearer
    PULL = "pull"  # an instruction stands; it stays when the ring has stopped sounding
    CHECKING = "checking"  # the person says that it is pulled; does the ring clear?
    ADVISED = "advised"  # more cuts would not help: the reason stands, go on or finish
    FINISHED = "finished"


class Remark(StrEnum):
    """Why an instruction is as it is; the words for it belong to the screen."""

    FIRST = "first"  # first time at this band
    AGAIN = "again"  # this band rang before: a further step
    STILL = "still"  # pulled as told, and it rings on: a further step
    UNMOVED = "unmoved"  # it rang again at the same gain: was this fader pulled at all?
    NEIGHBOUR = "neighbour"  # the band named does not hold it: the nearest neighbour is tried


class Reason(StrEnum):
    """Why to stop cutting."""

    MANY_AT_ONCE = "many_at_once"  # more than three bands ring at once
    AT_CAP = "at_cap"  # the same band rings again and is at its cap
    PILED_UP = "piled_up"  # deep cuts lie on band beside band
    COSTLY = "costly"  # the cuts take more of the sound than they should
    NO_RESPONSE = "no_response"  # neither the band nor its neighbours hold the ring
    ENOUGH = "enough"  # as much gain has been won as equalising can give


class Help(StrEnum):
    """What else helps; the words for it belong to the screen."""

    MIC_ANGLE = "mic_angle"
    MIC_POSITION = "mic_position"
    WEDGE_POSITION = "wedge_position"
    FEWER_OPEN_MICS = "fewer_open_mics"
    LEVEL = "level"
    RIGHT_EQUALISER = "right_equaliser"  # is this the equaliser of this mix, and switched in?


class Tap(StrEnum):
    """Where the channel is taken; decides how the noise floor tells the gain."""

    MIX = "mix"  # the mix after its equaliser
    MIX_BEFORE_EQ = "mix-before-eq"
    MIC = "mic"  # before the send: the gain does not show there


@dataclass(frozen=True, slots=True)
class Plan:
    """What is rung out, and by which rules. Fixed from the first moment."""

    mix: str = ""
    monitor: str = ""
    microphone: str = ""
    place: str = ""
    temperature_c: float | None = None
    channel: int = 1
    step_db: float = 0.5  # of the faders
    cap_db: float = 6.5  # no band is pulled further
    pull_db: float = 3.0  # wanted attenuation at a ring that is met for the first time
    again_db: float = 1.5  # wanted further attenuation when it comes back
    enough_db: float = 10.0  # gain won beyond which nothing more is asked for
    costly_db: float = 1.4  # loss on pink noise beyond which more cuts do more harm than good
    tap: Tap = Tap.MIX
    eq_kind: EqKind = EqKind.CONSTANT_Q
    send_back_db: float = 6.0  # how far to pull the send back at the end
    settle_s: float = 2.0  # a ring that has cleared must stay away so long
    respond_s: float = 1.5  # a ring must be gone so long after the person said "made"
    desk_rate_hz: int = DESK_RATE_HZ  # as the sheet tells it; responses are taken at the usual one
    start_db: tuple[float, ...] = FLAT  # cuts that were there before, >= 0 per band


@dataclass(frozen=True, slots=True)
class Pull:
    """One fader to move: further down by so much, to where it then stands."""

    band_hz: float  # nominal
    by_db: float  # > 0
    to_db: float  # cut in all afterwards, > 0: the fader stands at minus this


@dataclass(frozen=True, slots=True)
class HeldRing:
    """The ring that the instruction is about; kept when it no longer sounds."""

    frequency_hz: float
    band_hz: float  # nominal: the fader nearest to it
    level_dbfs: float
    growth_db_per_s: float | None
    since_s: float
    is_sounding: bool = True
    tries: int = 1  # instructions given for it, this one included
    gain_db: float | None = None  # gain over the first ring's at which it began, if measured
    attenuation_db: float = 0.0  # what the faders took at its frequency when it began
    is_lost: bool = False  # nobody heard it stop: the instruction waits for a person's answer
    at: str = ""  # as `RingHeard.at`

    @property
    def has_cleared(self) -> bool:
        """Tell whether it was heard to stop."""
        return not self.is_sounding and not self.is_lost


@dataclass(frozen=True, slots=True)
class Found:
    """One ring that was met and what became of it, in the order met."""

    order: int  # from 1
    time_s: float
    frequency_hz: float
    band_hz: float
    pulls: tuple[Pull, ...]  # what was counted as pulled; none: skipped
    has_cleared: bool
    was_corrected: bool = False  # by a person, against the instruction
    gain_db: float | None = None  # gain over the first ring's at which it began, if measured
    attenuation_db: float = 0.0  # what the faders took at its frequency when it began
    tries: int = 1
    at: str = ""  # as `RingHeard.at`


@dataclass(frozen=True, slots=True)
class GainWon:
    """Gain before feedback that the cuts have won."""

    db: float
    plus_minus_db: float | None  # None: entered by hand
    is_measured: bool


@dataclass(frozen=True, slots=True)
class State:
    """A ring-out at one moment."""

    plan: Plan
    phase: Phase = Phase.LISTENING
    time_s: float = 0.0  # stream time of the last entry
    ring: HeldRing | None = None  # what the instruction is about
    pulls: tuple[Pull, ...] = ()  # the instruction: one fader, or two if the ring lies between
    remark: Remark | None = None
    heard: tuple[RingHeard, ...] = ()  # newest news of every ring that sounds now
    skipped: frozenset[int] = frozenset()  # rings (ids) that the person wants to be left alone
    cuts_db: tuple[float, ...] = FLAT  # >= 0, all 31 faders, as counted
    found: tuple[Found, ...] = ()
    reason: Reason | None = None  # in ADVISED: why to stop
    helps: tuple[Help, ...] = ()  # in ADVISED: what else helps
    waived: frozenset[Reason] = frozenset()  # the person went on all the same
    last: Found | None = None  # what was counted last: shown long after it has cleared
    raised_db: float = 0.0  # gain given since the start, as far as anyone told
    gain_won: GainWon | None = None
    waiting_since_s: float = 0.0  # begin of the wait that `session.due_s` speaks of
    before: "State | None" = field(default=None, repr=False, compare=False)
    """Where undo leads: the state in which the last cut was not yet counted."""
    first_floor_db: tuple[float, ...] | None = field(default=None, repr=False)
    """Noise floor of the mix per band just before the first ring, if it could be read."""

    @property
    def sounding(self) -> tuple[tuple[int, float], ...]:
        """(ring id, Hz) of all that ring now."""
        return tuple((ring.ring_id, ring.frequency_hz) for ring in self.heard)

    @property
    def can_undo(self) -> bool:
        """Tell whether there is a counted cut to take back."""
        return self.before is not None and self.phase is not Phase.FINISHED
