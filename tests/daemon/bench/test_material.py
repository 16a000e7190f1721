"""Howl-free sound: made families, sampled tunes, recordings, splits."""

import os
import struct

import numpy as np
import pytest

from prehowl.daemon.bench import material, nuisance, recorded, rendered
from prehowl.daemon.bench.nuisance import indistinct, shapes, swells

RATE = 48000


@pytest.fixture
def packages():
    """Recordings and makers must be there in CI; elsewhere a test without them is skipped."""
    groups = {piece.group for piece in material.catalogue()}
    missing = {"music", "speech", "sampled", "nuisance"} - groups
    if missing and os.environ.get("PREHOWL_REQUIRE_MATERIAL") != "1":
        pytest.skip(f"no material for {sorted(missing)}; install .ci/apt-packages")
    assert not missing


@pytest.mark.parametrize("family", list(nuisance.MAKERS))
def test_made_sound_is_finite_alive_and_the_same_for_a_seed(family):
    """Oracle: definition; another seed gives other sound."""
    make = nuisance.MAKERS[family]
    first, again, other = (make(np.random.default_rng(seed), 3.0, RATE) for seed in (1, 1, 2))
    assert first.shape == (3 * RATE,)
    assert first.dtype == np.float32
    assert np.isfinite(first).all()
    assert first.std() > 1e-4
    np.testing.assert_array_equal(first, again)
    assert not np.array_equal(first, other)


def test_a_straight_swell_is_straight():
    """Oracle: closed form: 20 dB/s from -30 dB: -10 dB after one second, full after 1.5 s."""
    swell = 20 * np.log10(shapes.straight_swell(2 * RATE, RATE, 20.0, 30.0))
    assert swell[RATE] == pytest.approx(-10.0, abs=1e-6)
    assert swell[int(1.6 * RATE)] == 0.0


def test_pink_noise_falls_by_3_db_an_octave():
    """Oracle: definition of pink noise: equal power in each octave."""
    sound = shapes.pink(np.random.default_rng(1), 2**18)
    power = np.abs(np.fft.rfft(sound)) ** 2
    hz = np.fft.rfftfreq(len(sound), 1 / RATE)
    octaves = [
        power[(hz >= low) & (hz < 2 * low)].sum() for low in (125, 250, 500, 1000, 2000, 4000)
    ]
    assert np.ptp(10 * np.log10(octaves)) < 1.0


def spectrum_db(sound, at_s):
    """Level of each bin (1 Hz apart at 48 kHz) in the second from `at_s` on, Hann window."""
    part = sound[int(at_s * RATE) :][:RATE].astype(np.float64)
    return 20 * np.log10(np.abs(np.fft.rfft(part * np.hanning(len(part)))) * 4 / RATE + 1e-12)


def test_a_harmonic_swell_brings_its_harmonics_along():
    """Oracle: definition: steps of 6 dB from partial to partial, five at least, while it rises by
    5 to 15 dB/s (a second's window sees a little of the envelope; half a decibel)."""
    rng = np.random.default_rng(5)
    note = swells._stepped_note(rng, 4 * RATE, RATE)
    early, late = spectrum_db(note, 0.2), spectrum_db(note, 1.2)
    f0 = int(np.argmax(late))
    heights = [late[f0 * k - 6 : f0 * k + 7].max() for k in range(1, 6)]
    np.testing.assert_allclose(np.diff(heights), -6.0, atol=1.5)
    assert 4.5 < late[f0] - early[f0] < 15.5


def test_an_indistinct_tone_is_one_line_that_rises_straight():
    """Oracle: definition of the signal of a loop over its limit: equal rises in equal times, and
    nothing else but the noise: the second line stands 60 dB lower."""
    note = indistinct._lone_tone(np.random.default_rng(2), 4 * RATE, RATE)
    level = [20 * np.log10(np.abs(note[int(t * RATE) :][:4800]).max()) for t in (0.1, 0.2, 0.3)]
    assert level[2] - level[1] == pytest.approx(level[1] - level[0], abs=0.3)
    assert level[1] > level[0]
    held = spectrum_db(note, 2.0)
    line = int(np.argmax(held))
    held[line - 5 : line + 6] = -120
    assert held.max() < 20 * np.log10(np.abs(note[2 * RATE : 3 * RATE]).max()) - 60


def test_a_string_crescendo_swells_by_the_expression_controller():
    """Oracle: by hand: a square law: from 127 x 10^(-30/40) at least up to 127, never down within
    one note; nothing else is sent on controller 11."""
    data = rendered.crescendo(np.random.default_rng(1), 41, 6.0)
    at = [k for k in range(len(data) - 2) if data[k] == 0xB0 and data[k + 1] == 11]
    values = [data[k + 2] for k in at]
    assert min(values) >= round(127 * 10 ** (-30 / 40))
    assert max(values) == 127
    drops = np.flatnonzero(np.diff(values) < 0)
    assert len(drops) < data.count(bytes((0x90,)))


@pytest.mark.parametrize(
    ("number", "coded"),
    [
        (0, "00"),
        (0x40, "40"),
        (0x7F, "7f"),
        (0x80, "8100"),
        (0x2000, "c000"),
        (0x0FFFFFFF, "ffffff7f"),
    ],
)
def test_variable_length_quantities(number, coded):
    """Oracle: table of examples in the Standard MIDI Files 1.0 specification (from memory)."""
    assert rendered.variable_length(number) == bytes.fromhex(coded)


def test_midi_files_are_laid_out_by_the_standard():
    """Oracle: Standard MIDI Files 1.0: chunk lengths, format 0, one track, end-of-track event."""
    data = rendered.tune(np.random.default_rng(1), 19, 5.0)
    assert data[:14] == b"MThd" + struct.pack(">IHHH", 6, 0, 1, 500)
    assert data[14:18] == b"MTrk"
    assert struct.unpack(">I", data[18:22])[0] == len(data) - 22
    assert data.endswith(b"\x00\xff\x2f\x00")


def test_level_is_reached_and_peaks_stay_below_full_scale():
    """Oracle: definition: a steady sine at -20 dBFS has a tenth of a full-scale sine's peak."""
    sine = np.sin(2 * np.pi * 1000 * np.arange(3 * RATE) / RATE).astype(np.float32)
    levelled = material.set_level(sine * 0.01, -20.0, RATE)
    assert np.abs(levelled).max() == pytest.approx(0.1, rel=1e-3)
    assert np.abs(material.set_level(sine, 12.0, RATE)).max() < 1.0
    silence = np.zeros(RATE, np.float32)
    np.testing.assert_array_equal(material.set_level(silence, -20.0, RATE), silence)


def test_no_source_is_in_two_splits():
    """Oracle: definition of a split: names and files are disjoint."""
    held = {split: material.pieces(split) for split in material.SPLITS}
    names = [piece.name for pieces in held.values() for piece in pieces]
    assert len(names) == len(set(names)) == len(material.catalogue())
    files = [
        part
        for piece in material.catalogue()
        if piece.kind in (material.Kind.FILE, material.Kind.REEL)
        for part in piece.parts
    ]
    assert len(files) == len(set(files))


def test_a_plan_holds_every_family_once_at_least_and_repeats():
    """Oracle: definition; stretches of one piece do not overlap."""
    plan = material.plan("tune", 10.0, 3)
    assert {e.piece.family for e in plan} == {p.family for p in material.pieces("tune")}
    assert plan == material.plan("tune", 10.0, 3)
    assert plan != material.plan("tune", 10.0, 4)
    assert len({(e.piece.name, e.start_s) for e in plan}) == len(plan)


def test_families_can_be_chosen():
    """Oracle: definition."""
    plan = material.plan("check", 2.0, 1, ["hum", "organ"])
    assert {e.piece.family for e in plan} == {"hum", "organ"}


@pytest.mark.material
def test_recordings_of_hours_are_found_in_every_split(packages):
    """Oracle: what the packages hold: an hour of music and half an hour of speech each split."""
    for split in material.SPLITS:
        pieces = material.pieces(split, ["music", "speech"])
        music = sum(p.duration_s for p in pieces if p.group == "music")
        speech = sum(p.duration_s for p in pieces if p.family == "speech")
        assert music > 3600
        assert speech > 1500


@pytest.mark.material
@pytest.mark.parametrize("rate_hz", [44100, 96000])
def test_every_kind_of_piece_renders_at_any_rate(packages, rate_hz):
    """Oracle: definition: length, finite, sounding, below full scale."""
    kinds = {piece.kind: piece for piece in material.pieces("check")}
    assert set(kinds) == set(material.Kind)
    for piece in kinds.values():
        excerpt = material.Excerpt(piece, 0.0, 4.0, -20.0, 1)
        sound = material.render(excerpt, rate_hz)
        assert sound.shape == (4 * rate_hz,)
        assert sound.std() > 1e-4
        assert np.abs(sound).max() < 1.0


@pytest.mark.material
def test_reading_from_the_middle_equals_the_middle_of_reading_all(packages):
    """Oracle: invariance: a stretch is the same samples wherever reading began (own rate)."""
    path = recorded.package_files("singularity-music")[0]
    rate = 48000
    whole = recorded.read_stretch(path, 0.0, 6.0, rate, 0)
    part = recorded.read_stretch(path, 2.0, 3.0, rate, 0)
    np.testing.assert_allclose(part, whole[2 * rate : 5 * rate], atol=2e-4)


def test_a_package_that_is_absent_has_no_files():
    """Oracle: definition."""
    assert recorded.package_files("no-such-package-of-sound") == ()
