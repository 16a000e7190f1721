"""Tell which rings of different channels are one howl, and whose it is.

A howl is one mode of one loop: one frequency and one growth everywhere, in the microphone and the
mix that it runs through and in every other microphone that hears the wedge. The tracker follows
one ring a channel; here the changes of all channels become **alerts**, one for each howl, with the
channel that leads it. Nothing is held back or guessed later: a change gets its alert as it comes.

What cannot be told: two loops whose rings lie nearer than `near_hz` and rise alike, at once, on
channels of which none hears both, are one alert. Which of two mixes the ring runs through, where
one microphone is in both, is not to be seen in the ring; the told pair is believed.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

from prehowl.detectors.bands import share_of
from prehowl.detectors.rings import ALARMS, RingChange, RingState

NEAR_HZ = 5.0
"""Channels that hear one mode tell the same frequency but for what their programmes do to it. That
error comes with the frames, so it is the same in hertz at every frequency: about one in slow rises,
up to 2.4 Hz either way at 300 dB/s, which few frames see (`prehowl bench alerts --tolerance`).
Twice the worst, rounded up."""
NEAR_CENTS = 5.0
"""On top of it, for a mode that is drawn along while the next channel has yet to see it: a
microphone that moves by 1 m/s shifts its ring by 1/343, which is 5 cents, a second (physics.md)."""

GROWTH_RATIO = 4.0
"""Two growths of one mode, told within `GROWTH_S` of each other, were never farther apart than 3.1
times in the same sound."""
GROWTH_S = 0.25
LEAST_GROWTH_DB_PER_S = 8.0
"""Slower growths, and falls, are told too roughly for a ratio."""

LOUDER_DB = 3.0
"""A channel takes the lead of its kind only when it hears the ring this much louder, at the same
moment, than the one that leads; so the lead of one alert moves a few times at most. Where the own
mix rings too, both levels are added: in a mode of several wedges the pair that takes the greatest
part is loud on both sides, and the mix tells more than the microphone."""
TOLD_LOUDER_DB = 6.0
"""The same once the alert has alarmed: a name that was called out is not taken back lightly."""
RISES_ON_S = 0.5
"""For so long after it was told, a rising ring is taken to have gone on rising."""


@dataclass(frozen=True, slots=True)
class Tap:
    """What is known of one channel: on which side of the loop it is, and whom it belongs to."""

    is_mix: bool = False  # else a microphone
    partners: frozenset[int] = frozenset()  # channel indices: mixes of a mic, mics of a mix


@dataclass(frozen=True, slots=True)
class Part:
    """What a change is part of. Channel indices from 0."""

    alert: int  # id of the ring that began it: the same for all rings of one howl
    lead: int  # the channel that it belongs to, as far as can be told now
    mic: int | None
    mix: int | None


def near_hz(frequency_hz: float) -> float:
    """Return how far two channels' figures for one ring may be apart, Hz, > 0."""
    return NEAR_HZ + frequency_hz * share_of(NEAR_CENTS)


@dataclass(slots=True)
class _Voice:
    """The newest ring of one channel within one alert."""

    told: RingChange  # the newest change
    top_dbfs: float  # the highest level told: two that fade in turn must not pass the lead about
    is_living: bool = True

    def hear(self, change: RingChange) -> None:
        """Take a change that is not its end."""
        self.told, self.top_dbfs = change, max(self.top_dbfs, change.level_dbfs)

    def level_at(self, sample: int, rate_hz: int) -> float:
        """Return its level at a sample a little later, dBFS: a mode rises on all channels alike."""
        later_s = min(max(0.0, (sample - self.told.sample) / rate_hz), RISES_ON_S)
        risen = self.told.level_dbfs + max(0.0, self.told.growth_db_per_s or 0.0) * later_s
        return max(self.top_dbfs, risen)


@dataclass(slots=True)
class _Alert:
    id: int
    mic: int | None = None  # channel that leads among the microphones, and among the mixes
    mix: int | None = None
    has_alarmed: bool = False
    voices: dict[int, _Voice] = field(default_factory=dict)  # channel -> its newest ring


class AlertKeeper:
    """Gives every change of a ring its alert.

    Parameters
    ----------
    taps : sequence of Tap
        One for each channel, in order.
    rate_hz : int
        Of the samples by which changes are dated.
    """

    def __init__(self, taps: Sequence[Tap], rate_hz: int) -> None:
        self._taps = tuple(taps)
        self._rate_hz = rate_hz
        self._alert_of: dict[int, _Alert] = {}  # by id of a living ring

    def take(self, change: RingChange) -> Part:
        """Return what a change is part of; changes of one stream in their order.

        Parameters
        ----------
        change : RingChange
            A ring that is not yet known may be in any state; one that has cleared is forgotten.

        Returns
        -------
        Part
            Every change has exactly one; the alert of a ring never changes. The lead may move to
            a better claimant whenever a ring enters a worse state, never when one clears.
        """
        known = self._alert_of.get(change.id)
        alert = known or self._home(change) or _Alert(change.id)
        if known is None:
            self._alert_of[change.id] = alert
            alert.voices[change.ch] = _Voice(change, change.level_dbfs)
        if known is None or change.state is not RingState.CLEARED:
            alert.voices[change.ch].hear(change)
            self._choose(alert, change)
            alert.has_alarmed |= change.state in ALARMS
        if change.state is RingState.CLEARED:
            alert.voices[change.ch].is_living = False
            del self._alert_of[change.id]
        return self._part(alert)

    def _home(self, change: RingChange) -> _Alert | None:
        """Return the living alert that a new ring is one more voice of, the nearest of several."""
        apart = [(self._apart_hz(change, alert), alert.id, alert) for alert in self._living()]
        near = [found for found in apart if found[0] <= near_hz(change.frequency_hz)]
        return min(near)[2] if near else None

    def _living(self) -> list[_Alert]:
        return list({alert.id: alert for alert in self._alert_of.values()}.values())

    def _apart_hz(self, change: RingChange, alert: _Alert) -> float:
        """Return how far a new ring is from an alert, infinitely where it cannot be its voice."""
        there = alert.voices.get(change.ch)
        if there is not None and there.is_living:
            return float("inf")  # one channel hears two: they are two
        told = [voice.told for voice in alert.voices.values() if voice.is_living]
        if not any(self._rises_alike(change, other) for other in told):
            return float("inf")
        return min(abs(change.frequency_hz - other.frequency_hz) for other in told)

    def _rises_alike(self, a: RingChange, b: RingChange) -> bool:
        """Tell whether two growths may be one mode's; they may if told at different times."""
        if abs(a.sample - b.sample) > GROWTH_S * self._rate_hz:
            return True
        if a.growth_db_per_s is None or b.growth_db_per_s is None:
            return True  # one of them was not seen to rise
        slow, fast = sorted((a.growth_db_per_s, b.growth_db_per_s))
        if slow < 0:
            return True  # one of them lingers: its falls say nothing of how another rises
        return fast <= GROWTH_RATIO * max(slow, LEAST_GROWTH_DB_PER_S)

    # the lead

    def _choose(self, alert: _Alert, change: RingChange) -> None:
        """Let who has just got worse, or whom it speaks for, take the lead of its kind."""
        for rival in sorted({change.ch, *(self._partners(change.ch) & alert.voices.keys())}):
            if self._taps[rival].is_mix:
                if self._is_better(alert, rival, alert.mix, change.sample):
                    alert.mix = rival
            elif self._is_better(alert, rival, alert.mic, change.sample):
                alert.mic = rival

    def _is_better(self, alert: _Alert, rival: int, holder: int | None, sample: int) -> bool:
        if holder is None or holder == rival:
            return True
        theirs, its = self._rank(alert, rival), self._rank(alert, holder)
        if theirs != its:
            return theirs > its
        voice, present = alert.voices[rival], alert.voices[holder]
        if not (voice.is_living and present.is_living):
            return voice.is_living and voice.told.state in ALARMS
        louder = self._strength(alert, rival, sample) - self._strength(alert, holder, sample)
        return louder > (TOLD_LOUDER_DB if alert.has_alarmed else LOUDER_DB)

    def _rank(self, alert: _Alert, ch: int) -> int:
        """Return 1 where the ring stands on the other side of the channel's own loop too."""
        return int(not self._partners(ch).isdisjoint(alert.voices))

    def _strength(self, alert: _Alert, ch: int, sample: int) -> float:
        """Return the level of a channel, and of the other side of its loop where that rings, dB."""
        beside = [alert.voices[n] for n in self._partners(ch) if n in alert.voices]
        levels = [voice.level_at(sample, self._rate_hz) for voice in beside]
        return alert.voices[ch].level_at(sample, self._rate_hz) + max(levels, default=0.0)

    def _part(self, alert: _Alert) -> Part:
        if alert.mic is None:
            assert alert.mix is not None  # the first change has made its channel lead
            return Part(alert.id, alert.mix, self._only_partner(alert.mix), alert.mix)
        return Part(alert.id, alert.mic, alert.mic, self._mix_of(alert, alert.mic))

    def _mix_of(self, alert: _Alert, mic: int) -> int | None:
        """Return the mix that feeds the loop of a microphone that leads.

        The told one, unless another alarms while it shows nothing; where none was told, the one
        that leads among the mixes.
        """
        own = self._partners(mic)
        ringing = own & alert.voices.keys()
        if alert.mix in ringing:
            return alert.mix
        if ringing:
            return max(ringing, key=lambda ch: (alert.voices[ch].told.level_dbfs, -ch))
        told = self._only_partner(mic)
        has_alarmed = alert.mix is not None and alert.voices[alert.mix].told.state in ALARMS
        return alert.mix if told is None or has_alarmed else told

    def _partners(self, ch: int) -> frozenset[int]:
        return self._taps[ch].partners

    def _only_partner(self, ch: int) -> int | None:
        """Return whom a channel belongs to by what was told, where that is one."""
        partners = self._partners(ch)
        return next(iter(partners)) if len(partners) == 1 else None
