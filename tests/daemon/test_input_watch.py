"""A dead cable, a stuck converter, a hot input: told within two seconds, and nothing else is."""

from dataclasses import replace

import numpy as np
import pytest
from conformance import SinkConformance
from fakes import snapshot
from hypothesis import given
from hypothesis import strategies as st

from prehowl.daemon.facts import lines_of
from prehowl.daemon.input_watch import InputWatch
from prehowl.daemon.show.tables import Kind

RATE_HZ = 48000
NAMES = ("Vox", "Gtr", "Mix")
KINDS = (Kind.MIC, Kind.MIC, Kind.MIX)


def make() -> InputWatch:
    """Return a watch of two mics and a mix, numbered as on an interface."""
    return InputWatch(RATE_HZ, (1, 4, 9), NAMES, KINDS)


class TestIsASink(SinkConformance):
    """It keeps the promises of every sink."""

    def make(self, tmp_path):
        """Return one."""
        return make()


def noise(seconds: float, level: float = 0.01) -> np.ndarray:
    """Return noise on three channels."""
    shape = (round(seconds * RATE_HZ), 3)
    return np.random.default_rng(5).normal(0, level, shape).astype(np.float32)


def told(watch: InputWatch, sound: np.ndarray, piece: int = 480) -> str:
    """Feed sound in pieces and return in words what is wrong afterwards."""
    for at in range(0, len(sound), piece):
        watch.on_samples(sound[at : at + piece])
    return "; ".join(lines_of(watch.facts()))


def test_a_microphone_that_falls_to_exact_zeros_is_told_and_forgotten():
    """Oracle: definition, within 2 s; sound ends it at once."""
    watch = make()
    assert told(watch, noise(1.0)) == ""
    dead = noise(2.0)
    dead[:, 1] = 0
    assert told(watch, dead[: RATE_HZ // 2]) == ""
    assert told(watch, dead[RATE_HZ // 2 :]) == "Gtr (4): exact zeros, so dead, muted or unpatched"
    assert told(watch, noise(0.5)) == ""


def test_a_true_silence_is_no_fault():
    """Oracle: a preamplifier's noise, one count of 24 bits, is not zero."""
    quiet = np.sign(noise(3.0)) * np.float32(2.0**-23)
    watch = make()
    told(watch, noise(1.0))
    assert told(watch, quiet) == ""


@pytest.mark.parametrize("which", [[2], [0, 1, 2]])
def test_a_mix_may_be_silent_and_silence_everywhere_is_the_devices(which):
    """Oracle: definition. A muted mix is exact zeros; so is every channel of a lost source."""
    watch = make()
    told(watch, noise(1.0))
    quiet = noise(2.0)
    quiet[:, which] = 0
    assert told(watch, quiet) == ""


def test_a_dead_microphone_stays_told_while_all_are_silent():
    """Oracle: definition. What is dead has not come back because the others have gone, too."""
    watch = make()
    told(watch, noise(1.0))
    dead = noise(4.0)
    dead[:, 1] = 0
    dead[RATE_HZ * 2 :] = 0
    words = "Gtr (4): exact zeros, so dead, muted or unpatched"
    assert told(watch, dead[: RATE_HZ * 2]) == words
    assert told(watch, dead[RATE_HZ * 2 :]) == words
    assert told(watch, noise(0.5)) == ""


def test_an_input_that_never_had_a_signal_is_not_told():
    """Oracle: definition: unpatched inputs of a digital network are exact zeros."""
    unpatched = noise(3.0)
    unpatched[:, 0] = 0
    assert told(make(), unpatched) == ""


@pytest.mark.parametrize("value", [-1.0, 0.25, 1.0])
def test_a_stuck_value_is_told(value):
    """Oracle: definition. The same sample for ever is no sound; also at full scale, where it is
    no clipping."""
    watch = make()
    told(watch, noise(1.0))
    stuck = noise(1.0)
    stuck[:, 0] = value
    assert told(watch, stuck) == "Vox (1): stuck at one value: converter or cable"
    assert told(watch, noise(0.5)) == ""


def test_sustained_clipping_is_told_and_one_overshoot_is_not():
    """Oracle: definition. A sine 3 dB too hot spends half of its time at full scale."""
    watch = make()
    hot = noise(1.5)
    time_s = np.arange(len(hot)) / RATE_HZ
    hot[:, 0] = np.clip(1.41 * np.sin(2 * np.pi * 440 * time_s), -1, 1)
    assert told(watch, hot) == "Vox (1): clipping: less gain at the input"
    assert told(watch, noise(3.0)) == ""
    thump = noise(2.0)
    thump[5000:5040, 0] = 1.0
    assert told(watch, thump) == ""


def test_many_channels_are_one_short_line():
    """Oracle: definition."""
    numbers = range(1, 9)
    watch = InputWatch(RATE_HZ, numbers, [f"Ch {n}" for n in numbers], [Kind.MIC] * 8)
    sound = np.random.default_rng(1).normal(0, 0.1, (RATE_HZ * 2, 8)).astype(np.float32)
    told(watch, sound)
    sound[:, :7] = 0
    line = "Ch 1 (1), Ch 2 (2), Ch 3 (3), Ch 4 (4) and 3 more: exact zeros"
    assert told(watch, sound).startswith(line)


def test_a_channel_is_called_as_in_the_act_that_is_on():
    """Oracle: definition: the name of the newest snapshot that tells one, the usual one before."""
    watch = make()
    stuck = noise(1.0)
    stuck[:, 0] = 0.25
    words = ": stuck at one value: converter or cable"
    assert told(watch, stuck) == f"Vox (1){words}"
    watch.on_snapshot(replace(snapshot(3), names=("Sax", "Gtr", "Mix")))
    assert lines_of(watch.facts()) == (f"Sax (1){words}",)
    watch.on_snapshot(snapshot(3))
    assert lines_of(watch.facts()) == (f"Sax (1){words}",)


@given(st.lists(st.integers(1, 30000), min_size=1, max_size=20))
def test_the_verdict_is_the_same_whatever_the_pieces(lengths):
    """Oracle: invariance. What counts are the samples, not how they were cut."""
    sound = noise(2.0)
    sound[RATE_HZ // 3 :, 0] = 0
    whole, cut = make(), make()
    at = 0
    for length in lengths:
        cut.on_samples(sound[at : at + length])
        at = min(at + length, len(sound))
    assert "; ".join(lines_of(cut.facts())) == told(whole, sound[:at], piece=len(sound))
