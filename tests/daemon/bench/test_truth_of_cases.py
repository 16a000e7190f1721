"""The truth of the bench's cases against closed forms."""

import numpy as np
import pytest

from prehowl.daemon.bench import cases, paths, plants, ringlevel, specs
from prehowl.daemon.stage import truth

RATE = 48000


def spec(kind="step", *, programme="quiet", growth=60.0, hz=1500.0, seconds=9.0, tap="mic"):
    """A case whose programme is made at run time."""
    return specs.Spec(0, "tune", kind, "resonance", programme, tap, hz, growth, -50.0, seconds, 11)


def test_a_resonance_rings_where_it_was_asked_to():
    """Oracle: closed form: a cosine burst in phase with sample 0 has a real transform at its own
    frequency, so the phase is 0 there; group delay = its symmetric burst's centre."""
    taps = paths.resonance(1500.0, 0.005, 12, RATE)
    value = truth.loop_response(taps, [1500.0], RATE)[0]
    assert abs(np.angle(value)) < 1e-3
    centre_s = (0.005 * RATE + (12 * RATE / 1500 - 1) / 2) / RATE
    assert truth.group_delay_s(taps, [1500.0], RATE)[0] == pytest.approx(centre_s, rel=0.01)


def test_growth_is_excess_over_delay():
    """Oracle: closed form: growth = 20 log10 |L| / tau for a small excess."""
    path = paths.scaled(paths.resonance(1500.0, 0.006, 12, RATE), RATE)
    mode = path.modes(0.2, RATE)[0]
    assert mode.growth_db_per_s == pytest.approx(0.2 / mode.delay_s, rel=0.01)
    assert paths.excess_for_growth(path, 100.0, RATE) == pytest.approx(100 * mode.delay_s, rel=0.02)


def test_the_followed_poles_are_those_of_the_slow_reference():
    """Oracle: slow reference: `truth.modes`, itself checked against polynomial roots."""
    rng = np.random.default_rng(3)
    path = paths.draw(rng, "echoes", 900.0, 0.01, RATE)
    with np.errstate(over="ignore", invalid="ignore"):
        slow = truth.dominant_mode(path.taps, 1.0, RATE)
    fast = path.modes(1.0, RATE)[0]
    assert fast.frequency_hz == pytest.approx(slow.frequency_hz, rel=1e-6)
    assert fast.growth_db_per_s == pytest.approx(slow.growth_db_per_s, rel=1e-4)


def test_a_cut_takes_its_decibels_at_the_centre():
    """Oracle: closed form: a peaking filter's gain at its centre is its nominal gain."""
    taps = paths.resonance(1500.0, 0.006, 12, RATE)
    after = paths.peaking_cut(taps, 1500.0, 6.0, RATE)
    ratio = truth.loop_response(after, [1500.0], RATE) / truth.loop_response(taps, [1500.0], RATE)
    assert 20 * np.log10(abs(ratio[0])) == pytest.approx(-6.0, abs=0.05)


def test_ring_level_reads_an_exponential_without_delay():
    """Oracle: closed form: a sine of -60 dBFS at 0 s that grows by 100 dB/s has -40 at 0.2 s."""
    time_s = np.arange(RATE // 2) / RATE
    ring = 10 ** ((-60 + 100 * time_s) / 20) * np.sin(2 * np.pi * 997 * time_s)
    at, level = ringlevel.level_of(ring, 997.0, 100.0, RATE)
    assert level[200] == pytest.approx(-40.0, abs=0.1)
    assert at[200] == pytest.approx(0.2)


def test_running_rms_of_a_sine_is_its_level():
    """Oracle: definition: a full-scale sine = 0 dBFS; half the second silent costs 3.01 dB."""
    time_s = np.arange(2 * RATE) / RATE
    sine = np.where(time_s < 1, 1.0, 0.0) * np.sin(2 * np.pi * 1000 * time_s)
    rms = ringlevel.running_rms_dbfs(sine, RATE)
    assert rms[999] == pytest.approx(0.0, abs=0.01)
    assert rms[1500] == pytest.approx(-3.01, abs=0.02)


def test_a_simulated_ring_grows_and_overtakes_as_its_pole_says():
    """Oracle: closed form against simulation: slope of the ring's level within 5 % of the pole's
    growth; at the takeover, and not a millisecond before, it equals the programme's RMS."""
    (case,) = cases.make_batch((spec(growth=60.0),))
    (ring,) = case.rings
    assert ring.growth_db_per_s == pytest.approx(60.0, rel=0.01)
    assert ring.takeover_s is not None
    level = case.level_db[0]
    at = int(ring.takeover_s * 1000)
    assert level[at] >= case.programme_db[at]
    assert level[at - 1] < case.programme_db[at - 1]
    rise = np.flatnonzero((level > level.max() - 26) & (level < level.max() - 9))
    rise = rise[(rise > ring.crossing_s * 1000) & (rise < 1000 * ring.settled_s)]
    slope = np.polyfit(rise / 1000, level[rise], 1)[0]
    assert slope == pytest.approx(ring.growth_db_per_s, rel=0.05)


def test_a_pulled_ring_is_gone_and_a_marginal_one_never_takes_over():
    """Oracle: physics: below the limit a ring decays; held below it never runs away."""
    (pulled,) = cases.make_batch((spec("pulled"),))
    ring = pulled.rings[0]
    assert ring.gone_s is not None
    assert ring.takeover_s is not None
    assert ring.takeover_s < ring.gone_s
    (held,) = cases.make_batch((spec("marginal"),))
    assert -2.5 <= held.rings[0].loop_gain_db <= -0.3
    assert held.rings[0].growth_db_per_s < 0
    assert held.rings[0].takeover_s is None


@pytest.mark.parametrize("kind", list(specs.KIND_SHARE))
def test_every_kind_passes_its_limit_when_it_says(kind):
    """Oracle: Nyquist limit of the path in force just before and after the crossing time."""
    plant = plants.draw_plant(spec(kind), RATE)
    after = plant.before if plant.after is None else plant.after
    start_db = float(plant.gain_db[0]) - truth.stability_limit_db(plant.before, RATE)
    assert start_db < 0
    if kind == "marginal":
        assert plant.gain_db.max() < 0
    elif kind in plants.FADE_S and kind != "cut":
        assert plant.gain_db[-1] > truth.stability_limit_db(after, RATE)
        assert plant.change_s < plant.crossings_s[0] < plant.change_s + plants.FADE_S[kind]
    elif kind == "two":
        hz, path_db = truth.phase_true(plant.before, RATE)
        for ring, crossing_s in zip(plant.rings, plant.crossings_s, strict=True):
            own_db = path_db[np.argmin(abs(np.log(hz / ring.frequency_hz)))]
            at = round(crossing_s * RATE)
            assert plant.gain_db[at] + own_db > -1e-6 >= plant.gain_db[at - 2] + own_db
    else:
        at = round(plant.crossings_s[0] * RATE)
        assert plant.gain_db[at] > 0 >= plant.gain_db[at - 1]


def test_cases_are_the_same_for_a_seed_and_a_number():
    """Oracle: invariance: case k does not depend on how many are drawn; another seed differs."""
    many, few = specs.draw_specs("tune", 30, 5), specs.draw_specs("tune", 7, 5)
    assert many[:7] == few
    assert many[:7] != specs.draw_specs("tune", 7, 6)
    kinds = [s.kind for s in specs.draw_specs("tune", 200, 5)]
    for kind, share in specs.KIND_SHARE.items():
        assert kinds.count(kind) / 200 == pytest.approx(share, abs=0.02)
