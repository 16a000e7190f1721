"""What every howl test must keep to, as checks that run over any list of howl tests.

All howl tests of a list go through the same streams, each stream once; a check then looks at one
of them by name. The suite runs over the list of `prehowl.detectors` and, to show that each check
can fail, over howl tests that are wrong on purpose.
"""

import copy
import dataclasses
import functools
from collections.abc import Mapping

import numpy as np
from howl_runs import Frame, Listener, assert_same_frames, chopped, some_of
from signals import Rise, channels, pink_noise, sine, swelling_vibrato

from prehowl.detectors import HowlTest
from prehowl.detectors.tracks import Tracks

SECONDS = 0.75
RATES = (44_100, 48_000, 88_200, 96_000)

ROUNDING = 2e-3
"""float32 sums in another order; in the unit of the figure (dB, cents, dB/s times 100)."""

RISE = Rise(1000.0, 40.0, starts_s=-1.2)

RATE_TOLERANCE = {
    "papr_db": 3.6,  # by its formula M / 2 of a lone line: twice the rate, 3.01 dB more
    "pnpr_db": 3.0,
    "phpr_db": 3.0,
    "imsd_db": 0.01,
    "wander_cents": 0.5,
}
"""Allowed difference from 48 kHz in the figure's unit; others 3 %. Noise beside and under the
partials differs from frame to frame, and frames lie at other times at another rate."""


def scene(rate_hz: int = 48_000) -> np.ndarray:
    """Return a rising line, a steady chord and a voice, each in its own noise."""
    quiet = [pink_noise(SECONDS, rate_hz, level_dbfs=-40, seed=seed) for seed in (1, 2, 3)]
    chord = sum(sine(f, SECONDS, rate_hz, level_dbfs=-30) for f in (440, 880.5, 1320))
    voice = swelling_vibrato(220, SECONDS, rate_hz, top_dbfs=-20)
    return channels(RISE.samples(SECONDS, rate_hz) + quiet[0], chord + quiet[1], voice + quiet[2])


class Runs:
    """The streams of the suite, each played once to all howl tests of a list."""

    def __init__(self, tests: Mapping[str, HowlTest]) -> None:
        self.tests = tests
        self.samples = scene()

    def listen(self, samples: np.ndarray, rate_hz: int = 48_000) -> list[Frame]:
        """Return all frames of a stream that is fed in one block."""
        return Listener(rate_hz, samples.shape[1], self.tests).feed(samples)

    @functools.cached_property
    def together(self) -> list[Frame]:
        """All channels of the scene."""
        return self.listen(self.samples)

    @functools.cached_property
    def alone(self) -> list[list[Frame]]:
        """Each channel of the scene by itself."""
        return [self.listen(self.samples[:, [ch]]) for ch in range(self.samples.shape[1])]

    @functools.cached_property
    def chopped(self) -> list[list[Frame]]:
        """The scene in blocks of one prime, in mixed blocks, and in blocks of one quantum."""
        runs = []
        for sizes in ((997,), (1, 511, 0, 4096, 64, 3), (512,)):
            listener = Listener(48_000, self.samples.shape[1], self.tests)
            blocks = chopped(self.samples, sizes)
            runs.append([frame for block in blocks for frame in listener.feed(block)])
        return runs

    @functools.cached_property
    def after_silence(self) -> list[Frame]:
        """Two seconds of digital silence, then the scene."""
        silence = np.zeros((188 * 512, self.samples.shape[1]), np.float32)
        return self.listen(np.concatenate([silence, self.samples]))

    @functools.cached_property
    def resumed(self) -> tuple[list[Frame], list[Frame]]:
        """The scene continued by a copy made half-way, and then by the original.

        The copy goes on first with other sound, so that whatever the two share is disturbed.
        """
        half = 35 * 512 + 100
        first = Listener(48_000, self.samples.shape[1], self.tests)
        before = first.feed(self.samples[:half])
        kept, other = copy.deepcopy(first), copy.deepcopy(first)
        other.feed(-0.5 * self.samples[half - 9000 : half : -1])
        other.feed(self.samples[::-1][:9000])
        return before + kept.feed(self.samples[half:]), before + first.feed(self.samples[half:])

    @functools.cached_property
    def at_rates(self) -> dict[int, list[Frame]]:
        """The rising line of the scene at each sample rate."""
        return {rate_hz: self.listen(scene(rate_hz)[:, [0]], rate_hz) for rate_hz in RATES}

    @functools.cached_property
    def extremes(self) -> list[Frame]:
        """Silence, then the smallest, the loudest and the most abrupt sound on four channels."""
        n = np.arange(12_000)
        loud = np.where(n % 48 < 24, 1.0, -1.0)
        click = np.where(n % 6000 == 0, 1.0, 0.0)
        tiny = 1e-38 * np.sin(0.3 * n)
        tone = np.where((n // 3000) % 2 == 1, np.sin(0.1 * n), 0)
        return self.listen(
            np.concatenate([channels(*[0 * n] * 4), channels(loud, click, tiny, tone)])
        )


def only(frames: list[Frame], name: str, ch: int | None = None) -> list[Frame]:
    """Return the frames with one figure, and with one channel's peaks if `ch` is given."""
    chosen = frames if ch is None else [frame.of_channel(ch) for frame in frames]
    return [
        Frame(frame.end_s, frame.ch, frame.frequency_hz, {name: frame.figures[name]})
        for frame in chosen
    ]


def figure_near(frames: list[Frame], name: str, frequency_hz: float, from_s: float) -> float:
    """Return the median figure of the peak nearest to a frequency."""
    values = []
    for frame in frames:
        away = np.abs(frame.frequency_hz - frequency_hz)
        if frame.end_s >= from_s and len(away) and away.min() < 0.01 * frequency_hz:
            values.append(frame.figures[name][away.argmin()])
    assert len(values) >= 5, "the line was not seen"
    return float(np.median(values))


# The checks. Each takes the runs and the name of one howl test.


def one_figure_a_track(runs: Runs, name: str) -> None:
    """Every frame has one float32 for each track, and the scene has peaks."""
    assert sum(len(frame.ch) for frame in runs.together) > 200
    for frame in runs.together:
        assert frame.figures[name].shape == frame.ch.shape
        assert frame.figures[name].dtype == np.float32


def company_changes_nothing(runs: Runs, name: str) -> None:
    """A channel's figures are the same alone as among others, and the others differ."""
    for ch, alone in enumerate(runs.alone):
        assert_same_frames(only(runs.together, name, ch), only(alone, name), ROUNDING)
    everything = [
        np.concatenate([frame.of_channel(ch).figures[name] for frame in runs.together])
        for ch in range(len(runs.alone))
    ]
    assert not np.array_equal(everything[0], everything[1])


def chopping_changes_nothing(runs: Runs, name: str) -> None:
    """The same samples in other blocks give the same figures to the last bit."""
    for run in runs.chopped:
        assert_same_frames(only(run, name), only(runs.together, name))


def silence_first_changes_nothing(runs: Runs, name: str) -> None:
    """After digital silence the figures are the same, and silence itself has no peaks."""
    frames = runs.after_silence
    assert all(len(frame.ch) == 0 for frame in frames[: -len(runs.together)])
    assert_same_frames(
        only(frames[-len(runs.together) :], name), only(runs.together, name), ROUNDING
    )


def resuming_changes_nothing(runs: Runs, name: str) -> None:
    """A copy continues as the uninterrupted stream, and copies do not disturb the original."""
    for run in runs.resumed:
        assert_same_frames(only(run, name), only(runs.together, name))


def rate_changes_little(runs: Runs, name: str) -> None:
    """The same physical sound gives the same figure at 44.1, 48, 88.2 and 96 kHz."""
    found = {
        rate_hz: figure_near(frames, name, RISE.frequency_hz, 0.4)
        for rate_hz, frames in runs.at_rates.items()
    }
    for rate_hz in RATES:
        allowed = RATE_TOLERANCE.get(name, 0.03 * abs(found[48_000]))
        assert abs(found[rate_hz] - found[48_000]) <= allowed, found


def finite_in_finite_out(runs: Runs, name: str) -> None:
    """Whatever finite samples come, also silence, figures are finite."""
    assert sum(len(frame.ch) for frame in runs.extremes) > 20
    for frame in (*runs.extremes, *runs.together):
        assert np.isfinite(frame.figures[name]).all()


def tracks_are_left_alone(runs: Runs, name: str) -> None:
    """A howl test neither remembers nor alters tracks, and judges each by itself."""
    test, counts = runs.tests[name], []

    def scrutinise(tracks: Tracks) -> np.ndarray:
        before = copy.deepcopy(tracks)
        first, again = np.array(test(tracks)), np.array(test(tracks))
        np.testing.assert_array_equal(first, again)
        for field in dataclasses.fields(Tracks):
            np.testing.assert_array_equal(
                getattr(tracks, field.name), getattr(before, field.name), field.name
            )
        backwards = np.arange(len(tracks.bin))[::-2]
        np.testing.assert_allclose(
            test(some_of(tracks, backwards)), first[backwards], atol=ROUNDING
        )
        counts.append(len(first))
        return first

    Listener(48_000, 3, {name: scrutinise}).feed(runs.samples[:20_000])
    assert sum(counts) > 50


CHECKS = (
    one_figure_a_track,
    company_changes_nothing,
    chopping_changes_nothing,
    silence_first_changes_nothing,
    resuming_changes_nothing,
    rate_changes_little,
    finite_in_finite_out,
    tracks_are_left_alone,
)
