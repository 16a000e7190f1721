"""Stream time: the engine's sample count against the samples that the world has played.

Where a source lost samples, the engine is fed silence in their place, so that sound from before
the gap never touches sound from after it and time goes on. Of a long gap only the first
`SILENCE_S` are fed, after which no ring is left; the rest is skipped and added to every later
time. An hour without a device must not cost minutes of analysing nothing when it comes back.

Who is told of rings need not wait for the device to know that they are over: that silence may be
fed while the gap still goes on (`lose_early`). It is the same silence: the engine gets the same
samples and events have the same times, whether part of it was fed early or not.
"""

from bisect import bisect_right
from dataclasses import replace

from prehowl.detectors.rings import RingChange

SILENCE_S = 2.0
"""Longer than a frame, and than what a line that lingers may be silent (1.5 s): else a suspect of
before would live until sound comes back."""
BEHIND_S = 0.5
"""Silence that is fed early stays this far behind the clock: how much was lost is only known when
sound comes back, and it must not turn out to be less than what was fed for it."""
GAPS_KEPT = 256


class StreamTime:
    """Maps engine samples to stream samples; a jump for every long gap.

    One object a rate: `after` gives the one that goes on where this one is.
    """

    def __init__(self, rate_hz: int, *, began_s: float = 0.0, earlier: int = 0) -> None:
        self.rate_hz = rate_hz
        self.began_s = began_s  # stream time of sample 0
        self._earlier = earlier  # samples at other rates before
        self._most_silence = round(SILENCE_S * rate_hz)
        self._jumps = [0]  # engine sample at which an offset begins to hold, ascending
        self._offsets = [0]  # samples skipped up to there
        self.fed = 0  # samples per channel that the engine has consumed
        self.lost = 0  # samples per channel that never arrived
        self._early = 0  # of `fed`: silence for a gap that has not been told yet

    @property
    def missing(self) -> int:
        """Samples per channel that never arrived, also those of a gap that still goes on."""
        return self.lost + self._early

    @property
    def now(self) -> int:
        """Samples per channel since the start, lost ones included."""
        return self.in_stream(self.fed)

    @property
    def time_s(self) -> float:
        """Stream time, seconds since the start at whatever rates."""
        return self.began_s + self.now / self.rate_hz

    @property
    def total(self) -> int:
        """Samples per channel since the start, those at other rates included."""
        return self._earlier + self.now

    def after(self, rate_hz: int) -> "StreamTime":
        """Return the time that goes on from here at another rate; engine samples begin at 0."""
        following = StreamTime(rate_hz, began_s=self.time_s, earlier=self.total)
        following.lost = self.lost
        following._early = round(self._early * rate_hz / self.rate_hz)
        return following

    def lose_early(self, away_s: float) -> int:
        """Return how many samples of silence to feed now for a gap that has lasted so long."""
        due = min(round((away_s - BEHIND_S) * self.rate_hz), self._most_silence)
        silence = max(0, due - self._early)
        self._early += silence
        return silence

    def lose(self, lost: int) -> int:
        """Note a gap and return how many samples of silence to feed in its place."""
        self.lost += lost
        early = min(self._early, lost)
        self._early -= early
        silence = max(0, min(lost, self._most_silence) - early)
        skipped = lost - early - silence
        if skipped:
            self._jumps.append(self.fed + silence)
            self._offsets.append(self._offsets[-1] + skipped)
            # Bounded for a cable that flaps for days: the oldest gaps only date onsets that
            # are long past.
            del self._jumps[:-GAPS_KEPT], self._offsets[:-GAPS_KEPT]
        return silence

    def in_stream(self, engine_sample: int) -> int:
        """Return the stream sample of a count made by the engine.

        The last sample before a jump belongs to the time before it, hence the strict comparison.
        """
        held = max(bisect_right(self._jumps, engine_sample - 1) - 1, 0)
        return engine_sample + self._offsets[held]

    def dated(self, change: RingChange) -> RingChange:
        """Return the change with its samples counted in the stream."""
        onset = change.onset_sample
        return replace(
            change,
            sample=self.in_stream(change.sample),
            onset_sample=None if onset is None else self.in_stream(onset),
        )
