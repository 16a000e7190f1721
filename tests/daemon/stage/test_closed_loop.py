"""The simulated loop against physics that it does not contain."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.signal import freqz, sosfilt

from prehowl.daemon.stage.closed_loop import PathChange, simulate_loops
from prehowl.daemon.stage.filters import band_pass
from prehowl.daemon.stage.limiter import soft_clip
from prehowl.daemon.stage.truth import (
    dominant_mode,
    group_delay_s,
    loop_response,
    modes,
    phase_true,
    stability_limit_db,
    stability_limits_db,
)

Real = NDArray[np.float64]
RATE_HZ = 48000
DB_PER_NEPER = 20 / np.log(10)


def pure_delay(samples: int, sign: float = 1.0) -> Real:
    path = np.zeros(samples + 1)
    path[samples] = sign
    return path


def resonator(samples: int = 480, taps: int = 6000) -> Real:
    """A delay and a second-order resonator, 1 kHz, Q 3."""
    return np.asarray(sosfilt(band_pass(1000.0, 3.0, RATE_HZ)[None], np.eye(1, taps, samples)[0]))


def room(seed: int, first: int = 200, taps: int = 3000) -> Real:
    rng = np.random.default_rng(seed)
    path = np.zeros(taps)
    path[first:] = rng.standard_normal(taps - first) * np.exp(-np.arange(taps - first) / 500)
    return path * 0.1


def slope_db_per_s(samples: Real, begin_s: float, end_s: float) -> float:
    """Fit a line to the level in dB of 10 ms pieces."""
    pieces = samples[round(begin_s * RATE_HZ) : round(end_s * RATE_HZ)]
    pieces = pieces[: pieces.size // 480 * 480].reshape(-1, 480)
    level_db = 10 * np.log10(np.mean(pieces**2, axis=1))
    return float(np.polyfit(np.arange(len(level_db)) * 0.01, level_db, 1)[0])


def kicked(samples: int) -> Real:
    """A click of one loop delay's noise: excites every frequency once."""
    rng = np.random.default_rng(5)
    sound = np.zeros((1, samples))
    sound[0, :480] = 1e-6 * rng.standard_normal(480)
    return sound


@pytest.mark.parametrize("gain_db", [0.5, 1.0, 3.0, -0.5, -3.0])
def test_a_flat_loop_grows_and_decays_by_gain_over_delay(gain_db: float) -> None:
    """Oracle: growth = loop gain / delay (D. Troxel, Sound & Video Contractor, July 2006; abstract:
    +0.5 dB and 10 ms make +50 dB/s); the decay at -3 dB is -300 dB/s (own).
    """
    mic, _ = simulate_loops(kicked(24000), pure_delay(480), gain_db, limiter_dbfs=60)
    assert slope_db_per_s(mic[0], 0.02, 0.2) == pytest.approx(gain_db / 0.010, rel=0.001)


def resonator_growth_db_per_s(gain_db: float) -> float:
    """Own derivation: at s = sigma + j omega the analogue resonator s b / (s^2 + s b + omega^2),
    b = omega / Q, is 1 / (1 + 2 Q sigma / omega) to first order in sigma / omega (0.5 % here at
    most). The closed loop's pole is where gain, delay and resonator make 1 together, so
    ln g = sigma tau + ln(1 + 2 Q sigma / omega).
    """

    def excess(sigma: float) -> float:
        resonance = np.log1p(2 * 3.0 * sigma / (2 * np.pi * 1000))
        return float(sigma * 0.010 + resonance - gain_db / DB_PER_NEPER)

    return float(brentq(excess, 0.0, 1000.0)) * DB_PER_NEPER


@pytest.mark.parametrize("gain_db", [0.5, 1.0, 3.0])
def test_the_resonator_loop_grows_as_worked_out_by_hand(gain_db: float) -> None:
    """Oracle: closed form for 10 ms and a 1 kHz resonator of Q 3, derived above (own): 45.7, 91.3
    and 274 dB/s; and the closed loop's own pole. The slope agrees within 1 %.
    """
    path = resonator()
    mode = dominant_mode(path, gain_db, RATE_HZ)
    assert mode.growth_db_per_s == pytest.approx(resonator_growth_db_per_s(gain_db), rel=0.002)
    assert mode.frequency_hz == pytest.approx(1000.0, abs=0.1)
    sound = np.zeros((1, 72000))
    sound[0, :4800] = 1e-6 * np.sin(2 * np.pi * 1000 * np.arange(4800) / RATE_HZ)
    mic, _ = simulate_loops(sound, path, gain_db, limiter_dbfs=600)
    assert slope_db_per_s(mic[0], 0.5, 1.4) == pytest.approx(mode.growth_db_per_s, rel=0.01)


def test_where_the_loop_is_flat_round_the_ring_growth_is_gain_over_group_delay() -> None:
    """Oracle: 20 log10 |L| / group delay within 5 %; it is exact for a flat loop only. By hand
    (own): 0.5 dB / 10.955 ms = 45.64 dB/s.
    """
    path = resonator()
    tau = float(group_delay_s(path, 1000.0, RATE_HZ)[0])
    assert tau == pytest.approx(0.010 + 0.000955, abs=2e-5)  # 2 Q / omega more than the delay
    mode = dominant_mode(path, 0.5, RATE_HZ)
    assert mode.growth_db_per_s == pytest.approx(0.5 / tau, rel=0.05)


def test_candidates_lie_one_over_the_delay_apart() -> None:
    """Oracle: 10 ms -> 100 Hz (Troxel 2006, abstract); by 92 Hz near the resonance (own): 908.3
    and 1092.2 Hz.
    """
    spacing = np.diff(np.sort(phase_true(pure_delay(480), RATE_HZ)[0]))
    np.testing.assert_allclose((spacing + 50) % 100, 50, atol=1e-6)
    found = np.sort(phase_true(resonator(), RATE_HZ)[0][:3])
    np.testing.assert_allclose(found, [908.3, 1000.0, 1092.2], atol=0.1)


def test_an_inverting_loop_rings_half_way_between() -> None:
    """Oracle: candidates at (n + 1/2) / delay (own)."""
    found = phase_true(pure_delay(480, -1.0), RATE_HZ)[0]
    np.testing.assert_allclose(found % 100, 50, atol=1e-6)
    mic, _ = simulate_loops(kicked(24000), -resonator(), 2.0, limiter_dbfs=60)
    spectrum = np.abs(np.fft.rfft(mic[0, -19200:] * np.hanning(19200)))
    strongest_hz = np.argmax(spectrum) * RATE_HZ / 19200
    # Two neighbours on both sides of 1 kHz grow almost alike: 46 Hz off, half of 92.
    assert abs(strongest_hz - 1000) == pytest.approx(46, abs=3)


def test_poles_are_those_of_the_characteristic_polynomial() -> None:
    """Oracle: numpy.roots on 1 - g H(z), for random responses below, at and above the limit."""
    rng = np.random.default_rng(3)
    for _ in range(5):
        path = np.zeros(120)
        path[10:] = rng.standard_normal(110) * np.exp(-np.arange(110) / 25)
        limit_db = stability_limit_db(path)
        for over_db in (-3.0, 0.0, 2.0):
            polynomial = -path * 10 ** ((limit_db + over_db) / 20)
            polynomial[0] = 1.0
            largest = np.abs(np.roots(polynomial)).max()
            mode = dominant_mode(path, limit_db + over_db, 1.0)
            assert mode.growth_db_per_s == pytest.approx(20 * np.log10(largest), abs=1e-9)


def test_a_room_stays_below_its_limit_and_leaves_above_it() -> None:
    """Oracle: Nyquist condition (van Waterschoot & Moonen 2011, read in full): 0.5 dB below the
    computed limit every room decays, 0.5 dB above every room grows by its own pole within 5 %.
    """
    paths = np.array([room(seed) for seed in range(4)])
    limits_db = stability_limits_db(paths)[:, None]
    sound = np.repeat(kicked(96000), 4, axis=0) * 1e-3
    below, _ = simulate_loops(sound, paths, limits_db - 0.5, limiter_dbfs=120)
    above, _ = simulate_loops(sound, paths, limits_db + 0.5, limiter_dbfs=120)
    for path, limit_db, low, high in zip(paths, limits_db, below, above, strict=True):
        assert slope_db_per_s(low, 1.0, 1.9) < 0
        mode = dominant_mode(path, float(limit_db[0]) + 0.5, RATE_HZ)
        assert slope_db_per_s(high, 1.0, 1.9) == pytest.approx(mode.growth_db_per_s, rel=0.05)


def test_limits_of_many_rooms_lie_where_schroeder_says() -> None:
    """Oracle: expected limit -10 log10(log10(B T60 / 22)) - 3.8 dB re the mean path gain
    (Schroeder, through van Waterschoot & Moonen 2011); a sanity check, within 1.5 dB in the mean.
    """
    rate_hz, taps, t60_s = 16000, 8000, 0.5
    rng = np.random.default_rng(8)
    decay = 10 ** (-3 * np.arange(taps) / rate_hz / t60_s)
    found = []
    for _ in range(12):
        path = rng.standard_normal(taps) * decay
        path[:80] = 0
        found.append(stability_limit_db(path / np.sqrt(np.sum(path**2))))
    expected = -10 * np.log10(np.log10(rate_hz / 2 * t60_s / 22)) - 3.8
    assert np.mean(found) == pytest.approx(expected, abs=1.5)


def test_the_simulation_is_the_plain_recursion() -> None:
    """Oracle: a slow loop, sample by sample, with limiting, a gain ramp and a change of path."""
    rng = np.random.default_rng(1)
    old, new = 0.1 * rng.standard_normal((2, 1, 300))
    old[:, :20], new[:, :23] = 0.0, 0.0
    sound = 0.3 * rng.standard_normal((1, 2500))
    gain_db = np.linspace(-6.0, 3.0, 2500)[None]
    change = PathChange(new, 1200, 333)
    mic, mix = simulate_loops(sound, old, gain_db, limiter_dbfs=-3.0, changes=(change,))
    heard, sent = np.zeros(2500), np.zeros(2500)
    for n in range(2500):
        share = min(max((n - 1200) / 333, 0.0), 1.0)
        path = (1 - share) * old[0] + share * new[0]
        past = sent[max(0, n - 299) : n][::-1]
        heard[n] = sound[0, n] + path[1 : past.size + 1] @ past
        sent[n] = soft_clip(10 ** (gain_db[0, n : n + 1] / 20) * heard[n], 10 ** (-3 / 20))[0]
    np.testing.assert_allclose(mic[0], heard, atol=1e-12)
    np.testing.assert_allclose(mix[0], 10 ** (gain_db[0] / 20) * heard, atol=1e-12)
    assert np.abs(mix).max() > 10 ** (-3 / 20)  # the limiter did work


def test_loops_do_not_know_each_other() -> None:
    """Oracle: invariance: a loop gives the same samples alone and in company, up to rounding."""
    paths = np.array([room(1), room(2)])
    sound = 0.01 * np.random.default_rng(0).standard_normal((2, 9600))
    together, _ = simulate_loops(sound, paths, -3.0)
    alone, _ = simulate_loops(sound[1:], paths[1:], -3.0)
    np.testing.assert_allclose(together[1:], alone, atol=1e-13)
    assert not np.allclose(together[0], together[1])


def test_only_the_limiter_makes_harmonics() -> None:
    """Oracle: a linear loop has none: while a howl is below the knee its harmonics are under
    -100 dB, at the ceiling the third stands out.
    """
    path = resonator()
    sound = np.zeros((1, 96000))
    sound[0, :4800] = 1e-4 * np.sin(2 * np.pi * 1000 * np.arange(4800) / RATE_HZ)
    _, mix = simulate_loops(sound, path, 1.0, limiter_dbfs=-3.0)

    def third_db(piece: Real) -> float:
        spectrum = np.abs(np.fft.rfft(piece * np.blackman(piece.size)))
        at = round(1000 * piece.size / RATE_HZ)
        third = spectrum[3 * at - 6 : 3 * at + 7].max()
        return float(20 * np.log10(third / spectrum[at - 6 : at + 7].max()))

    size = np.abs(mix[0])
    reaches = int(np.argmax(size > 0.1))  # the knee lies at 0.35
    assert third_db(mix[0, reaches - 9600 : reaches]) < -100
    assert third_db(mix[0, -9600:]) > -60
    assert size[-9600:].max() < 1.2


def test_response_is_scipy_s() -> None:
    """Oracle: scipy.signal.freqz."""
    hertz = np.array([55.0, 1000.0, 9876.5])
    path = room(4)
    np.testing.assert_allclose(
        loop_response(path, hertz, RATE_HZ), freqz(path, worN=hertz, fs=RATE_HZ)[1], rtol=1e-9
    )


def test_modes_come_fastest_first() -> None:
    """Oracle: definition."""
    growth = [mode.growth_db_per_s for mode in modes(room(2), 0.0, RATE_HZ)]
    assert growth == sorted(growth, reverse=True)
    assert len(growth) > 5


def test_a_path_without_delay_is_refused() -> None:
    """Oracle: a loop without delay has no next sample; the message says what to do."""
    with pytest.raises(ValueError, match="first tap"):
        simulate_loops(np.zeros((1, 10)), np.ones(4), 0.0)
