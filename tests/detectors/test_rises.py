"""What is gathered of peaks that rise: against plain loops, and on sound whose truth is known."""

import numpy as np
import pytest
from signals import Rise, channels, pink_noise, sine, times

from prehowl.detectors.background import Background
from prehowl.detectors.candidates import LARGEST_RESIDUAL_DB, SMALLEST_RISE_DB
from prehowl.detectors.designs import DESIGNS, Design
from prehowl.detectors.framing import SampleMemory, quantum_length
from prehowl.detectors.resolution import Resolution
from prehowl.detectors.rises import COLUMNS, Rising

RATE_HZ = 48_000


# sound


def rows_of(design: Design, samples: np.ndarray) -> tuple[np.ndarray, Rising]:
    """Return the time of every row of evidence of one resolution, and the rows."""
    quantum = quantum_length(RATE_HZ)
    count = samples.shape[1]
    resolution = Resolution(design, count, RATE_HZ, quantum, np.zeros(count, bool), Background())
    memory = SampleMemory(count, resolution.frame_length + quantum, quantum)
    time_s, parts = [], []
    for tick, latest in enumerate(memory.ticks(samples), start=1):
        if not resolution.due(tick):
            continue
        parts.append(resolution.rising(resolution.advance(resolution.spectra(latest))))
        time_s.append(np.full(len(parts[-1].ch), tick * quantum / RATE_HZ))
    rows = Rising(
        np.concatenate([part.ch for part in parts]),
        np.concatenate([part.bin for part in parts]),
        np.concatenate([part.figures for part in parts]),
    )
    return np.concatenate(time_s), rows


CASES = {"long": (211.0, 30.0), "main": (2100.0, 40.0), "brief": (2100.0, 90.0),
         "short": (5300.0, 250.0)}  # fmt: skip
"""Frequency and growth in the middle of what each resolution is for."""


def scene_of(design: Design) -> tuple[Rise, tuple[np.ndarray, Rising]]:
    """Return a rise of 40 dB out of noise, and its rows near its frequency while it rises."""
    frequency_hz, growth = CASES[design.name]
    rise = Rise(frequency_hz, growth, starts_s=0.8 - 30 / growth, top_dbfs=-20, held_s=0.3)
    seconds = round(rise.tops_out_s + 0.3, 2)
    samples = rise.samples(seconds, RATE_HZ) + pink_noise(seconds, RATE_HZ, level_dbfs=-50, seed=1)
    time_s, rising = rows_of(design, channels(samples))
    # Once the tone stands over the noise for all of the look back, and until it stops rising.
    near = np.abs(rising.column("frequency_hz") - frequency_hz) < 0.01 * frequency_hz
    near &= (time_s - rising.column("duration_s") > rise.time_of_level(-50)) & (
        time_s < rise.tops_out_s
    )
    kept = np.flatnonzero(near)
    return rise, (time_s[kept], Rising(rising.ch[kept], rising.bin[kept], rising.figures[kept]))


@pytest.mark.parametrize("design", DESIGNS, ids=lambda design: design.name)
def test_a_ring_is_told_as_what_it_is(design: Design):
    """Oracle: truth of the signal: growth, straightness, place, and nothing else that rises."""
    rise, (_, rows) = scene_of(design)
    assert len(rows.ch) >= 5
    middle = {name: float(np.median(rows.column(name))) for name in COLUMNS}
    assert middle["growth_db_per_s"] == pytest.approx(rise.growth_db_per_s, rel=0.1)
    assert middle["rise_db"] == pytest.approx(
        middle["growth_db_per_s"] * middle["duration_s"], rel=0.1
    )
    assert middle["frequency_hz"] == pytest.approx(rise.frequency_hz, rel=1e-3)
    assert middle["frame_s"] == pytest.approx(design.frame_quanta * 512 / RATE_HZ)
    assert middle["residual_db"] < 0.7
    assert middle["wander_cents"] < 8
    assert middle["share"] > 0.9
    assert 0.8 < middle["late_share"] < 1.2
    # Pink noise is mostly low notes, few a frame: it goes up and down by itself.
    assert abs(middle["rest_rise_db"]) < 0.5 * middle["rise_db"]


@pytest.mark.parametrize("design", DESIGNS, ids=lambda design: design.name)
def test_all_rows_keep_the_limits(design: Design):
    """Oracle: the documented limits, on noise with rises and falls in it."""
    rise, _ = scene_of(design)
    noise = pink_noise(1.5, RATE_HZ, level_dbfs=-30, seed=3) * (1 + np.sin(9 * times(1.5, RATE_HZ)))
    samples = channels(noise, noise[::-1] + rise.samples(1.5, RATE_HZ))
    _, rows = rows_of(design, samples)
    assert len(rows.ch) > 0
    assert np.isfinite(rows.figures).all()
    assert (rows.column("rise_db") >= SMALLEST_RISE_DB).all()
    assert (rows.column("residual_db") <= LARGEST_RESIDUAL_DB).all()
    assert ((rows.column("share") >= 0.7) & (rows.column("share") <= 1)).all()
    assert (rows.column("company") >= 0).all()
    assert set(rows.ch.tolist()) <= {0, 1}


def test_what_does_not_rise_gives_no_row():
    """Oracle: definition: silence, a steady and a falling tone, each on a channel."""
    t = times(1.5, RATE_HZ)
    steady = sine(1000, 1.5, RATE_HZ, level_dbfs=-20)
    _, rows = rows_of(DESIGNS[1], channels(0 * t, steady, steady * 10 ** (-20 * t / 20)))
    assert len(rows.ch) == 0


def test_an_attack_that_has_reached_its_note_gives_no_row():
    """Oracle: truth: once it stands for half a look back, nothing rises any more."""
    tone = sine(1000, 2.0, RATE_HZ, level_dbfs=-20)
    attack = 1 - np.exp(-np.maximum(times(2.0, RATE_HZ) - 0.5, 0) / 0.03)
    time_s, rows = rows_of(
        DESIGNS[1], channels(tone * attack + pink_noise(2.0, RATE_HZ, level_dbfs=-70, seed=2))
    )
    near = np.abs(rows.column("frequency_hz") - 1000) < 20
    assert not (near & (time_s > 1.4)).any()


def against_own(column: str, samples: np.ndarray, frequency_hz: float) -> float:
    """Return the median rise of something else on the channel, as a share of the peak's own."""
    _, rows = rows_of(DESIGNS[1], channels(samples))
    near = np.abs(rows.column("frequency_hz") - frequency_hz) < 0.01 * frequency_hz
    assert near.sum() >= 3
    return float(np.median((rows.column(column) / rows.column("rise_db"))[near]))


def test_a_channel_that_is_faded_up_rises_as_a_whole():
    """Oracle: truth: 30 dB/s of fader move tone and noise alike; a ring moves alone."""
    t = times(1.8, RATE_HZ)
    noise = pink_noise(1.8, RATE_HZ, level_dbfs=-20, seed=6)
    faded = (sine(1500, 1.8, RATE_HZ, level_dbfs=-20) + noise) * 10 ** (30 * (t - 1.8) / 20)
    ring = Rise(1500.0, 30.0, starts_s=-0.6, top_dbfs=-6).samples(1.8, RATE_HZ) + 0.1 * noise
    for column in ("rest_rise_db", "crowd_rise_db"):
        assert against_own(column, faded, 1500) > 0.7
        assert abs(against_own(column, ring, 1500)) < 0.2


def test_two_rings_are_no_crowd_and_three_are():
    """Oracle: truth: two loops may pass the limit together; then all else stands still."""
    rings = [
        Rise(frequency_hz, 40.0, starts_s=-0.3, top_dbfs=-6).samples(1.5, RATE_HZ)
        for frequency_hz in (900.0, 2500.0, 4100.0)
    ]
    noise = pink_noise(1.5, RATE_HZ, level_dbfs=-50, seed=7)
    two, three = rings[0] + rings[1] + noise, sum(rings) + noise
    for frequency_hz in (900.0, 2500.0):
        assert against_own("rest_rise_db", two, frequency_hz) > 0.4
        assert abs(against_own("crowd_rise_db", two, frequency_hz)) < 0.3
        assert against_own("crowd_rise_db", three, frequency_hz) > 0.35
