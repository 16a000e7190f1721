"""The cheap look, against plain loops."""

import numpy as np
from hypothesis import assume, given
from hypothesis import strategies as st

from prehowl.detectors.background import Background
from prehowl.detectors.climbers import (
    HALF_LOOKS,
    LAST_LOOK,
    QUARTER_LOOKS,
    View,
    company,
    find_climbers,
    known_to_a_reference,
)
from prehowl.detectors.memory import SpectrumMemory
from prehowl.detectors.peaks import Peaks
from prehowl.detectors.tracks import LOOKS, Now

BINS = 40

NEARLY_DB = 1e-4
"""What lies so near to an edge may be found on either side of it: the look works in single
precision, the plain loops in double."""


@st.composite
def peak_lists(draw) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return channel, bin, rise and loudness of the peaks of one frame on three channels."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    index = np.sort(rng.choice(3 * BINS, draw(st.integers(1, 40)), replace=False))
    rise_db = rng.choice([-140, -3, 0, 2, 4, 5, 8, 10, 16, 120], len(index)).astype(np.float32)
    return index // BINS, index % BINS, rise_db, rng.random(len(index)) < 0.7


@given(peak_lists())
def test_company_is_counted_peak_by_peak(peaks):
    """Oracle: slow reference: the loud others of the channel that rise by half as much or more."""
    ch, _, rise_db, is_loud = peaks
    some = np.flatnonzero(rise_db >= 2)
    wanted = [
        sum(
            ch[other] == ch[own]
            and other != own
            and is_loud[other]
            and rise_db[other] >= rise_db[own] / 2
            for other in range(len(ch))
        )
        for own in some
    ]
    np.testing.assert_array_equal(company(ch, rise_db, is_loud, some), wanted)


@given(peak_lists(), st.lists(st.booleans(), min_size=3, max_size=3))
def test_a_reference_knows_what_rises_there_within_a_bin(peaks, references):
    """Oracle: slow reference: a bin to either side, half the rise or more; and all of its own."""
    ch, bins, rise_db, _ = peaks
    is_reference = np.array(references)
    found = known_to_a_reference(ch, bins, rise_db, is_reference)
    for own in range(len(ch)):
        heard = any(
            is_reference[ch[other]]
            and abs(bins[other] - bins[own]) <= 1
            and rise_db[other] >= rise_db[own] / 2
            for other in range(len(ch))
        )
        # What does not rise is no rise to know of, and is asked for nowhere.
        if rise_db[own] > 0:
            assert found[own] == (heard or is_reference[ch[own]])


def view_of(seed: int, steps: list[int], channels: int = 3) -> View:
    """Return a frame at the end of a past that goes up and down, every other bin a peak."""
    rng = np.random.default_rng(seed)
    memory = SpectrumMemory(channels, BINS, (LOOKS - 1) * max(steps) + 1, 0.01)
    level = rng.normal(-40, 3, (channels, BINS))
    for _ in range(memory.frames):
        level += rng.normal(0.4, 0.6, (channels, BINS))
        power = (10 ** (level / 10)).astype(np.float32)
        memory.add(power, power.sum(axis=1))
    ch, bins = np.divmod(np.arange(1, channels * BINS, 2), BINS)
    peaks = Peaks(ch, bins, ch * BINS + bins, power[ch, bins])
    now = Now(power, power.sum(axis=1), power.sum(axis=1), 10.0, 2 * (BINS - 1))
    return View(now, peaks, memory, np.array(steps), rng.random(channels) < 0.2, Background())


def slowly(view: View) -> tuple[list[tuple[int, int, int, int]], float]:
    """Return channel, bin, step and company of what `find_climbers` should find in a view.

    And how near, in decibels, anything that was asked came to an edge.
    """
    found, power = [], view.now.power
    edges: list[float] = []
    places = list(zip(view.peaks.ch.tolist(), view.peaks.bin.tolist(), strict=True))
    for step in view.steps.tolist():
        now, half, quarter, last = (
            {
                (ch, b): 10 * np.log10(float(view.memory.at(np.array(ch * BINS + b), looks * step)))
                for ch, b in places
            }
            for looks in (0, HALF_LOOKS, QUARTER_LOOKS, LAST_LOOK)
        )
        rise = {at: now[at] - half[at] for at in places}
        for ch, b in places:
            at, up = (ch, b), rise[ch, b]
            lately, just = now[at] - quarter[at], now[at] - last[at]
            edges += [up - 2, just + 0.3, up / 2 + 0.5 - just]
            edges += [lately - up / 5, lately - 0.6, 0.8 * up + 1 - lately]
            edges += [rise[c, other] - up / 2 for c, other in places if (c, other) != at]
            heard = any(
                view.is_reference[c] and abs(other - b) <= 1 and rise[c, other] >= up / 2
                for c, other in places
            )
            evenly = -0.3 < just < up / 2 + 0.5 and max(up / 5, 0.6) < lately < 0.8 * up + 1
            if up >= 2 and evenly and not heard:
                loudest = view.now.total * 10**-1.8
                others = sum(
                    c == ch and o != b and rise[c, o] >= up / 2 and loudest[c] <= power[c, o]
                    for c, o in places
                )
                found.append((ch, b, step, others))
    shares = [power[ch, b] / view.now.total[ch] for ch, b in places]
    edges += (10 * np.log10(shares) + 18).tolist()
    return found, min(abs(edge) for edge in edges)


@given(st.lists(st.tuples(st.integers(0, 2**32 - 1), st.sampled_from([[1], [1, 2], [2, 4]])),
                min_size=1, max_size=3))  # fmt: skip
def test_climbers_of_several_views_are_those_of_each(given_views):
    """Oracle: slow reference: every peak, span and view by itself, in decibels."""
    views = [view_of(seed, steps) for seed, steps in given_views]
    slow = [slowly(view) for view in views]
    assume(min(nearest for _, nearest in slow) > NEARLY_DB)
    found = find_climbers(views)
    rows = zip(found.ch.tolist(), found.bin.tolist(), found.step.tolist(), found.company.tolist(),
               strict=True)  # fmt: skip
    assert [(int(own), *row) for own, row in zip(found.view, rows, strict=True)] == [
        (number, *row) for number, (rows, _) in enumerate(slow) for row in rows
    ]


def test_a_frame_without_peaks_has_no_climbers():
    """Oracle: definition: silence on all channels, alone and beside sound."""
    loud = view_of(3, [1, 2])
    none = np.zeros(0, np.intp)
    silent = View(
        loud.now,
        Peaks(none, none, none, np.zeros(0, np.float32)),
        loud.memory,
        loud.steps,
        loud.is_reference,
        loud.background,
    )
    assert len(find_climbers([silent]).ch) == 0
    both, alone = find_climbers([silent, loud]), find_climbers([loud])
    assert len(alone.ch) > 0
    assert both.ch.tolist() == alone.ch.tolist()
    assert set(both.view.tolist()) == {1}
