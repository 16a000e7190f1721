"""What reaches the microphones without any loop: who plays, how loud, and what bleeds where.

Owns the mixture of the invented sources into microphone channels. Each source is an endless strip
made phrase by phrase or bar by bar; only the sound that is asked for next is ever held.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.stage import band, voices
from prehowl.daemon.stage.faders import OFF_DB, Faders

Real = NDArray[np.float64]
Event = tuple[Real, int]
"""Sound, and the samples after which the next one begins; the rest overlaps."""

SELF_NOISE_DBFS = -84.0
"""Of microphone and preamplifier at the gain in use, wide band, RMS re full scale."""
ROOM_DBFS = -52.0
"""Of the crowd and the ventilation in an open vocal microphone, RMS re full scale."""
RMS_OF_PARTS = 0.1
"""RMS that the generators aim at: -20 dB re full scale."""


class Strip:
    """An endless sound, joined from events that overlap."""

    def __init__(self, next_event: Callable[[], Event]) -> None:
        self._next_event = next_event
        self._ready = np.zeros(0)
        self._settled = 0  # samples that no later event will add to

    def next(self, samples: int) -> Real:
        """Return the next samples, shape (samples,)."""
        while self._settled < samples:
            sound, advance = self._next_event()
            missing = self._settled + sound.size - self._ready.size
            if missing > 0:
                self._ready = np.concatenate((self._ready, np.zeros(missing)))
            self._ready[self._settled : self._settled + sound.size] += sound
            self._settled += advance
        out, self._ready = self._ready[:samples], self._ready[samples:]
        self._settled -= samples
        return out


@dataclass(frozen=True, slots=True)
class Part:
    """One source and how loud it is in every microphone and in the playback channel.

    `in_mics_db` is relative to the generator's own level of about -20 dBFS; a talker at -6 is a
    quiet one at the same microphone. `starts_on` tells whether it sounds from the beginning.
    """

    name: str
    kind: str  # sung, spoken, drums, bass, plucks, pad
    in_mics_db: tuple[float, ...]
    in_playback_db: float = OFF_DB
    voice: voices.Voice | None = None
    starts_on: bool = True


class Programme:
    """All sources of one act, mixed.

    Parameters
    ----------
    parts : tuple of Part
    song : band.Song
        What the band plays.
    room_db : tuple of float
        Level of the room's noise in each microphone, re `ROOM_DBFS`.
    rate_hz, seed : int
    """

    def __init__(
        self,
        parts: tuple[Part, ...],
        song: band.Song,
        room_db: tuple[float, ...],
        rate_hz: int,
        seed: int,
    ) -> None:
        self._rate_hz = rate_hz
        self.names = tuple(part.name for part in parts)
        streams = np.random.SeedSequence(seed).spawn(len(parts) + 2)
        makers = [_Maker(part, song, streams[i], rate_hz) for i, part in enumerate(parts)]
        self._strips = [Strip(maker.event) for maker in makers]
        rng = np.random.default_rng(streams[-2])
        noise = [_Noise(gain, rng.spawn(1)[0], rate_hz) for gain in room_db]
        self._rooms = [Strip(one.event) for one in noise]
        self._self_noise = np.random.default_rng(streams[-1])
        gains = np.array([[*part.in_mics_db, part.in_playback_db] for part in parts])
        self._gains = np.where(gains > OFF_DB, 10 ** (gains / 20), 0.0)
        start_db = np.array([0.0 if part.starts_on else OFF_DB for part in parts])
        self._faders = Faders(start_db, rate_hz)

    def bring(self, name: str, level_db: float, over_s: float) -> None:
        """Let a source come up or go down to a level, re its own, over some seconds.

        Raises
        ------
        KeyError
            If there is no such source.
        """
        if name not in self.names:
            raise KeyError(f"no source {name!r} in this programme; there are {self.names}")
        self._faders.move((self.names.index(name),), level_db, over_s)

    def next(self, samples: int) -> tuple[Real, Real]:
        """Return the microphones' programme, (microphones, samples), and playback, (samples,)."""
        silence = np.zeros(samples)  # a source that is shut waits: nobody computes its sound
        sources = np.array(
            [
                strip.next(samples) if is_open else silence
                for strip, is_open in zip(self._strips, self._faders.is_open, strict=True)
            ]
        )
        sources *= self._faders.next(samples)
        mixed = self._gains.T @ sources
        rooms = np.array([strip.next(samples) for strip in self._rooms])
        noise = self._self_noise.standard_normal(rooms.shape) * 10 ** (SELF_NOISE_DBFS / 20)
        return mixed[:-1] + rooms + noise, mixed[-1]


class _Maker:
    """Makes the events of one part, each from the part's own random stream."""

    def __init__(
        self, part: Part, song: band.Song, seed: np.random.SeedSequence, rate_hz: int
    ) -> None:
        self._song, self._rate_hz = song, rate_hz
        self._rng = np.random.default_rng(seed)
        self._voice = part.voice or voices.Voice(120.0)
        self._bar = 0
        self.event: Callable[[], Event] = {
            "sung": self._sung,
            "spoken": self._spoken,
            "drums": self._drums,
            "bass": self._bass,
            "plucks": self._plucks,
            "pad": self._pad,
        }[part.kind]

    def _sung(self) -> Event:
        sound = voices.sung_phrase(self._voice, self._rng, self._rate_hz, self._song.beat_s)
        return sound, sound.size

    def _spoken(self) -> Event:
        sound = voices.spoken_phrase(self._voice, self._rng, self._rate_hz)
        return sound, sound.size

    def _drums(self) -> Event:
        return band.drum_bar(self._song, self._rng, self._rate_hz), self._bar_samples()

    def _bass(self) -> Event:
        return self._barred(band.bass_bar)

    def _plucks(self) -> Event:
        return self._barred(band.pluck_bar)

    def _pad(self) -> Event:
        return self._barred(band.pad_bar)

    def _barred(self, play: Callable[[band.Song, int, np.random.Generator, float], Real]) -> Event:
        sound = play(self._song, self._bar, self._rng, self._rate_hz)
        self._bar += 1
        return sound, self._bar_samples()

    def _bar_samples(self) -> int:
        return int(self._song.bar_s * self._rate_hz)


class _Noise:
    """The room in one microphone, in cross-faded pieces of a second."""

    def __init__(self, gain_db: float, rng: np.random.Generator, rate_hz: int) -> None:
        self._gain = 10 ** ((ROOM_DBFS + gain_db) / 20) / RMS_OF_PARTS
        self._rng, self._rate_hz = rng, rate_hz

    def event(self) -> Event:
        fade = self._rate_hz // 8
        sound = band.room_noise(self._rate_hz + fade, self._rng, self._rate_hz)
        slope = np.sin(np.linspace(0, np.pi / 2, fade))  # equal power: the pieces are unrelated
        sound[:fade] *= slope
        sound[-fade:] *= slope[::-1]
        return self._gain * sound, self._rate_hz
