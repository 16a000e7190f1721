"""The advised cut in the loop, against closed forms and against simulation."""

import numpy as np
import pytest

from prehowl.daemon.bench import advice, paths, plants, report, summary
from prehowl.daemon.bench.cases import TrueRing
from prehowl.daemon.bench.records import AppliedCut
from prehowl.daemon.bench.specs import Spec
from prehowl.daemon.stage.closed_loop import simulate_loops
from prehowl.detectors.rings import RingChange, RingState

RATE = 48000


def spec(kind="step", hz=1000.0):
    """A case of one resonance."""
    return Spec(0, "tune", kind, "resonance", "quiet", "mic", hz, 60.0, -50.0, 9.0, 11)


def ringing(number, time_s, cut_db, *, state="ringing", hz=1000.0, band_hz=1000.0):
    """An alarm that advises a cut."""
    return RingChange(
        number, 0, RingState(state), round(time_s * RATE), None, hz, band_hz, -20.0, 60.0, -1.0,
        cut_db, {},
    )  # fmt: skip


def resonant(hz):
    """A path that takes off at 0 dB of gain, at `hz`."""
    return paths.scaled(paths.resonance(hz, 0.006, 12, RATE), RATE).taps


def test_at_its_centre_a_band_needs_the_bare_excess():
    """Oracle: closed form: at its centre a peaking filter takes its nominal gain and turns no
    phase, so 2 dB over the limit need 2 dB."""
    loop = advice.NearLoop(resonant(1000.0), 2.0, 1000.0, RATE)
    assert loop.gain_db(1000.0, 0.0) == pytest.approx(2.0, abs=0.01)
    assert loop.needed_db(1000.0) == pytest.approx(2.0, abs=0.02)


def test_at_the_edge_of_a_band_twice_as_much_is_needed():
    """Oracle: W3C audio EQ cookbook: -3 dB at the centre of a third-octave band is -1.51 dB at its
    edge; half a decibel for the mode that shifts with the filter's phase and the next band."""
    loop = advice.NearLoop(resonant(1122.0), 1.5, 1122.0, RATE)
    assert loop.needed_db(1000.0) == pytest.approx(3.0, abs=0.5)


def test_a_loop_below_its_limit_needs_nothing_and_one_far_over_it_is_past_cutting():
    """Oracle: definition; 24 dB of a band an octave away do not stop a ring 6 dB over."""
    assert advice.NearLoop(resonant(1000.0), -1.0, 1000.0, RATE).needed_db(1000.0) == 0.0
    assert advice.NearLoop(resonant(1000.0), 6.0, 1000.0, RATE).needed_db(2000.0) is None


@pytest.mark.parametrize(("more_db", "stops"), [(0.4, True), (-0.4, False)])
@pytest.mark.parametrize("hz", [400.0, 2700.0])
def test_the_needed_cut_is_what_a_simulated_howl_needs(hz, more_db, stops):
    """Oracle: simulation of the loop, sample by sample, with the filter in its path: it decays with
    a little more than the needed cut, and grows with a little less."""
    rng = np.random.default_rng(4)
    path = paths.draw(rng, "echoes", hz, 0.01, RATE)
    centre = 10 ** (round(10 * np.log10(hz)) / 10)
    near = float(path.candidate_hz[0])
    needed = advice.NearLoop(path.taps, 2.0, near, RATE).needed_db(centre)
    assert needed is not None
    taps = paths.peaking_cut(path.taps, centre, needed + more_db, RATE)
    click = np.zeros((1, 2 * RATE))
    click[0, 100] = 1e-6
    mic, _ = simulate_loops(click, taps, 2.0, limiter_dbfs=20.0)
    early, late = (float(np.abs(mic[0, RATE * k // 2 :][: RATE // 2]).max()) for k in (1, 3))
    assert (late < early) == stops


def test_both_moments_use_the_advice_and_the_loop_of_their_own_time():
    """Oracle: by hand: 2 dB at the alarm, 3.5 dB half a second later, 6 dB too late to count."""
    plant = plants.draw_plant(spec(), RATE)
    crossing = plant.crossings_s[0]
    true = TrueRing(plant.rings[0].frequency_hz, 60.0, 0.01, 0.5, crossing, None, None, None, 0.0)
    told = [
        ringing(1, crossing + 0.2, 2.0),
        ringing(1, crossing + 0.7, 3.5, state="howling"),
        ringing(1, crossing + 1.9, 6.0, state="cleared"),
    ]
    cuts = advice.cuts_of(spec(), [true], told, RATE)
    assert [(cut.moment, cut.cut_db) for cut in cuts] == [("at once", 2.0), ("after a second", 3.5)]
    assert cuts[0].excess_db == pytest.approx(plant.rings[0].loop_gain_db, abs=0.02)
    assert cuts[0].needed_db == pytest.approx(cuts[0].excess_db, abs=0.1)
    assert advice.cuts_of(spec(), [true], [], RATE) == ()


def cut(cut_db, needed_db, *, stops, moment="after a second"):
    """One applied cut."""
    return AppliedCut("step", moment, 1000.0, 1000.0, cut_db, 1.0, needed_db, stops)


def test_figures_of_cuts():
    """Oracle: by hand: of four, three stop; one needs more than the cap of 6 dB; over what was
    needed 2.0, 1.0 and -0.5 dB."""
    cuts = [
        cut(3.0, 1.0, stops=True),
        cut(3.0, 2.0, stops=True),
        cut(2.0, 2.5, stops=False),
        cut(6.0, None, stops=True),
    ]
    row = summary.advice_row("all", cuts)
    assert (row["stops"]["hits"], row["stops"]["of"]) == (3, 4)
    assert (row["stops_within_cap"]["hits"], row["stops_within_cap"]["of"]) == (2, 3)
    assert row["beyond_cap"] == 1
    assert row["over_needed_db"]["median"] == 1.0
    assert any("66.7 %" in line for line in report.advice_lines([row]))
