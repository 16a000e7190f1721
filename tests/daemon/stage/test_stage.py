"""The virtual stage: its loop against its own poles, its fades, its repeatability, its band."""

from dataclasses import replace

import numpy as np
import pytest
from fakes import event
from numpy.typing import NDArray
from scipy.signal import sosfilt, sosfreqz

from prehowl.daemon.events import Alert
from prehowl.daemon.sources.stage import EngineerSink
from prehowl.daemon.stage.acts import dropped_before
from prehowl.daemon.stage.air import Room, new_tail, path_taps
from prehowl.daemon.stage.band import drum_bar, some_song
from prehowl.daemon.stage.faders import Faders, GraphicEqualiser
from prehowl.daemon.stage.gear import Microphone, Wedge, some_resonances
from prehowl.daemon.stage.stage import Rig, Stage
from prehowl.daemon.stage.stage_truth import margin_db, reach_db, stage_modes
from prehowl.daemon.stage.truth import stability_limit_db
from prehowl.daemon.stage.voices import Voice, spoken_phrase, sung_phrase
from prehowl.detectors.graphic_eq import graphic_sections
from prehowl.detectors.peaking import peaking
from prehowl.detectors.rings import RingState

Real = NDArray[np.float64]
RATE_HZ = 48000


def small_stage(seed: int = 3) -> Stage:
    """Two singers, two wedges."""
    rng = np.random.default_rng(seed)
    microphones = tuple(Microphone((x, 2.0, 1.6), (0.0, 1.0, 0.1)) for x in (-1.5, 1.5))
    wedges = tuple(
        Wedge((x, 1.0, 0.25), (0.0, 0.7, 0.75), some_resonances(rng)) for x in (-1.5, 1.5)
    )
    return Stage(Rig(microphones, wedges, (0.0028, 0.0032)), RATE_HZ, seed)


def open_sends(stage: Stage, own_db: float, other_db: float) -> None:
    for mix in range(2):
        for ch in range(2):
            stage.sends.move((mix, ch), own_db if mix == ch else other_db, 0.0)
    stage.sends.next(1)


def run(stage: Stage, seconds: float, level: float, seed: int = 1) -> tuple[Real, Real]:
    rng = np.random.default_rng(seed)
    silence = np.zeros((2, stage.block_length))
    blocks = [
        stage.step(level * rng.standard_normal((2, stage.block_length)), silence)
        for _ in range(round(seconds * RATE_HZ / stage.block_length))
    ]
    return np.hstack([mic for mic, _ in blocks]), np.hstack([mix for _, mix in blocks])


def set_margin(stage: Stage, left_db: float) -> None:
    open_sends(stage, 0.0, -10.0)
    lift = margin_db(stage.loop_state(), RATE_HZ) - left_db
    open_sends(stage, lift, lift - 10.0)


def test_the_stage_howls_at_the_pole_of_its_whole_loop() -> None:
    """Oracle: det(I - T(s)) = 0 of the loop matrix, solved apart from the simulation: growth
    within 5 %, frequency within 1 Hz.
    """
    stage = small_stage()
    set_margin(stage, -1.0)
    mode = stage_modes(stage.loop_state(), RATE_HZ)[0]
    assert mode.growth_db_per_s > 0
    run(stage, 0.1, 1e-9)
    mic, _ = run(stage, 6.0, 0.0)
    # Four modes are over the limit here; after some seconds the fastest has left the others.
    settled = mic[mode.mic, 4 * RATE_HZ :]
    pieces = settled[: settled.size // 960 * 960].reshape(-1, 960)
    level_db = 10 * np.log10(np.mean(pieces**2, axis=1))
    rising = level_db < -40
    slope = np.polyfit(np.flatnonzero(rising) * 0.02, level_db[rising], 1)[0]
    assert slope == pytest.approx(mode.growth_db_per_s, rel=0.05)
    loud = settled[: 960 * int(rising.sum())][-RATE_HZ // 2 :]
    spectrum = np.abs(np.fft.rfft(loud * np.hanning(loud.size), 8 * loud.size))
    found_hz = np.argmax(spectrum) * RATE_HZ / (8 * loud.size)
    assert found_hz == pytest.approx(mode.frequency_hz, abs=1.0)


def test_below_the_limit_the_stage_never_runs_away() -> None:
    """Oracle: Nyquist: with 1 dB in hand four seconds of noise end as loud as they began."""
    stage = small_stage()
    set_margin(stage, 1.0)
    assert all(mode.growth_db_per_s < 0 for mode in stage_modes(stage.loop_state(), RATE_HZ))
    mic, _ = run(stage, 4.0, 1e-4)
    early, late = np.std(mic[:, RATE_HZ : 2 * RATE_HZ]), np.std(mic[:, -RATE_HZ:])
    assert late == pytest.approx(early, rel=0.25)
    assert np.abs(mic).max() < 0.05


def test_one_open_send_is_a_single_loop() -> None:
    """Oracle: `truth.stability_limit_db` of the one path; the matrix way agrees within 0.1 dB."""
    stage = small_stage()
    stage.sends.move((0, 0), 0.0, 0.0)
    stage.sends.next(1)
    state = stage.loop_state()
    single_db = stability_limit_db(state.taps[0, 0])
    assert reach_db(state, RATE_HZ, 0, [0]) == pytest.approx(single_db, abs=0.1)
    assert margin_db(state, RATE_HZ) == pytest.approx(single_db, abs=0.1)


def test_a_hand_and_a_fall_raise_the_loop_gain() -> None:
    """Oracle: common practice, no source: a cupped and a dropped microphone come nearer to the
    limit by several dB; picked up again, the limit is the old one.
    """
    stage = small_stage()
    open_sends(stage, 0.0, -10.0)
    before = margin_db(stage.loop_state(), RATE_HZ)
    home = stage.microphones[0]
    for changed in (home.cupped(1.0), dropped_before(stage.rig.wedges[0], home)):
        stage.move(0, changed, 0.3)
        run(stage, 0.5, 0.0)
        assert margin_db(stage.loop_state(), RATE_HZ) < before - 3.0
    stage.move(0, home, 0.3)
    run(stage, 0.5, 0.0)
    assert margin_db(stage.loop_state(), RATE_HZ) == pytest.approx(before, abs=0.1)


def test_moves_make_no_click() -> None:
    """Oracle: a low tone through a moving stage has no energy far above it: treble from a fall, a
    fader and a band together stays 80 dB under the tone.
    """
    stage = small_stage()
    open_sends(stage, -10.0, -20.0)
    stage.move(0, dropped_before(stage.rig.wedges[0], stage.microphones[0]), 0.5)
    stage.sends.move((0, 0), -14.0, 0.4)
    stage.equalisers[0].move(17, -6.0)
    length = stage.block_length
    parts = []
    for n in range(150):
        tone = 0.1 * np.sin(2 * np.pi * 300 * (n * length + np.arange(length)) / RATE_HZ)
        tone *= min(1.0, n / 40)
        parts.append(stage.step(np.array([tone, tone]), np.zeros((2, length)))[0][0])
    heard = np.concatenate(parts)[60 * length :]
    spectrum = np.abs(np.fft.rfft(heard * np.blackman(heard.size)))
    above = spectrum[round(5000 * heard.size / RATE_HZ) :].max()
    assert 20 * np.log10(above / spectrum.max()) < -80


def test_the_same_seed_gives_the_same_samples() -> None:
    """Oracle: definition; and another seed gives others."""
    first, second, other = (small_stage(seed) for seed in (3, 3, 4))
    for stage in (first, second, other):
        open_sends(stage, 0.0, -10.0)
    a, b, c = (run(stage, 0.2, 0.01)[0] for stage in (first, second, other))
    np.testing.assert_array_equal(a, b)
    assert not np.array_equal(a, c)


def test_sound_arrives_when_the_air_lets_it() -> None:
    """Oracle: 343.2 m/s at 20 °C (handbook value): 3.432 m take 10 ms, after the electronics."""
    room = Room(temperature_c=20.0, wall_db=-200.0, tail_db=-200.0)
    taps = path_taps(
        Microphone((0.0, 3.432, 1.0), (0.0, -1.0, 0.0), presence_db=0.0),
        Wedge((0.0, 0.0, 1.0), (0.0, 1.0, 0.0), ()),
        room,
        electronics_s=0.002,
        rate_hz=RATE_HZ,
        tail=new_tail(np.random.default_rng(0), room, RATE_HZ),
    )
    assert np.argmax(np.abs(taps)) == pytest.approx(0.012 * RATE_HZ, abs=4)


def test_a_cardioid_turned_away_hears_less_and_a_cupped_one_does_not_care() -> None:
    """Oracle: textbook pattern a + (1 - a) cos: a cardioid is 6 dB down at 90 degrees, an
    omnidirectional one not at all. Taken at 1.2 kHz, where the model has its nominal pattern.
    """
    room = Room(wall_db=-200.0, tail_db=-200.0)
    wedge = Wedge((0.0, 0.0, 1.0), (0.0, 1.0, 0.0), ())

    def heard_db(facing: tuple[float, float, float], cup: float) -> float:
        microphone = Microphone((0.0, 1.5, 1.0), facing, presence_db=0.0, cavity_db=0.0, cup=cup)
        taps = path_taps(
            microphone, wedge, room, electronics_s=0.002, rate_hz=RATE_HZ, tail=np.zeros(4800)
        )
        tone = np.exp(-2j * np.pi * 1200 * np.arange(4800) / RATE_HZ)
        return float(20 * np.log10(abs(taps @ tone)))

    front, side = (0.0, -1.0, 0.0), (1.0, 0.0, 0.0)
    assert heard_db(front, 0.0) - heard_db(side, 0.0) == pytest.approx(6.0, abs=1.0)
    assert heard_db(front, 1.0) == pytest.approx(heard_db(side, 1.0), abs=0.01)


def test_peaking_sections_are_those_of_the_cookbook() -> None:
    """Oracle: W3C Audio EQ Cookbook, worked coefficients and response (own) for -3 dB, 1 kHz, 1/3
    octave at 48 kHz.
    """
    section = peaking(1000.0, -3.0, 4.306122, RATE_HZ)  # Q of BW 1/3 with the digital term
    wanted = (0.9948323375, -1.9478040969, 0.9697792842, 1.0, -1.9478040969, 0.9646116216)
    np.testing.assert_allclose(section, wanted, atol=2e-6)
    response = np.abs(sosfreqz(section[None], worN=[891.25, 1000.0], fs=RATE_HZ)[1])
    np.testing.assert_allclose(20 * np.log10(response), [-1.51, -3.0], atol=0.01)


def test_a_settled_equaliser_is_scipy_s_and_a_flat_one_changes_nothing() -> None:
    """Oracle: scipy.signal.sosfilt over the whole, once the fade is over."""
    sound = np.random.default_rng(2).standard_normal(48000)
    equaliser = GraphicEqualiser(RATE_HZ)
    flat = np.concatenate([equaliser.next(block) for block in sound.reshape(-1, 128)[:50]])
    np.testing.assert_array_equal(flat, sound[:6400])
    equaliser.move(17, -6.0)
    cut = np.concatenate([equaliser.next(block) for block in sound.reshape(-1, 128)[50:]])
    bands_db = np.zeros(31)
    bands_db[17] = -6.0
    whole = sosfilt(graphic_sections(bands_db, RATE_HZ), sound)[6400:]
    np.testing.assert_allclose(cut[4000:], whole[4000:], atol=1e-6)


def test_faders_arrive_on_time_in_a_straight_line() -> None:
    """Oracle: definition: -20 to 0 dB in 0.1 s passes -10 dB half-way."""
    faders = Faders(np.full((1, 1), -20.0), RATE_HZ)
    faders.move((0, 0), 0.0, 0.1)
    gains = np.concatenate([faders.next(100)[0, 0] for _ in range(48)])
    assert 20 * np.log10(gains[2399]) == pytest.approx(-10.0, abs=0.01)
    assert gains[-1] == pytest.approx(1.0)
    assert faders.next(100).shape == (1, 1, 1)


def test_voices_have_levels_and_harmonics_of_voices() -> None:
    """Oracle: speech and song have crest factors of some 10 to 20 dB and lines at multiples of the
    pitch (common knowledge, no source); the generators aim at -20 dBFS.
    """
    rng = np.random.default_rng(4)
    voice = Voice(200.0, breath=0.01, vibrato_cents=0.0)
    for sound in (sung_phrase(voice, rng, RATE_HZ, 0.5), spoken_phrase(voice, rng, RATE_HZ)):
        spoken = sound[np.abs(sound) > 1e-4]
        rms = float(np.sqrt(np.mean(spoken**2)))
        assert -26 < 20 * np.log10(rms) < -16
        assert 8 < 20 * np.log10(np.abs(sound).max() / rms) < 24
        assert sound[-1] == 0.0
    held = sung_phrase(voice, rng, RATE_HZ, 1.0)[9600:28800]
    power = np.abs(np.fft.rfft(held * np.hanning(held.size), 4 * held.size)) ** 2
    correlation = np.fft.irfft(power)[: RATE_HZ // 100]
    lags = np.arange(RATE_HZ // 600, RATE_HZ // 150)
    assert correlation[lags].max() > 0.5 * correlation[0]  # a clear period: voiced


def test_drums_are_short_and_peaky() -> None:
    """Oracle: common knowledge, no source: a drum kit's crest factor lies above 12 dB."""
    rng = np.random.default_rng(6)
    bar = drum_bar(some_song(rng), rng, RATE_HZ)
    assert 20 * np.log10(np.abs(bar).max() / np.sqrt(np.mean(bar**2))) > 12


def test_the_engineer_acts_once_on_a_howl_that_many_channels_hear() -> None:
    """Oracle: definition. A bystander's microphone alarms first, then the loop's own and its mix:
    one act, on the channel of the alert; another howl is another act."""
    asked: list[tuple[int, float, float, int]] = []

    class Desk:
        rate_hz = RATE_HZ

        def advise(self, *advice: float) -> None:
            asked.append(advice)  # type: ignore[arg-type]

    engineer = EngineerSink(Desk())  # type: ignore[arg-type]

    def hears(number: int, channel: int, state: RingState, alert: int = 1, time_s: float = 1.0):
        named = Alert(alert, 2, "Vox 2", 2, 9, "Vox 2", "Mix 2")
        told = event(state, id=number, channel=channel, time_s=time_s)
        engineer.on_event(replace(told, alert=named))

    hears(1, 2, RingState.SUSPECT)
    assert asked == []
    hears(2, 4, RingState.RINGING)
    for state in (RingState.RINGING, RingState.HOWLING):
        for number, channel in ((1, 2), (3, 9), (2, 4)):
            hears(number, channel, state, time_s=1.5)
    assert asked == [(1, 2513.4, 3.0, RATE_HZ)]
    hears(5, 2, RingState.RINGING, alert=5, time_s=2.0)
    assert asked[1:] == [(1, 2513.4, 3.0, 2 * RATE_HZ)]
