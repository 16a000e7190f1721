"""The running belief against a plain loop over all bins, and what suspicion makes of it."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from prehowl.detectors.belief import (
    CEILING,
    FADE,
    FLOOR,
    FOLLOW,
    SIGNALS,
    SUSPECT_BELOW,
    SUSPECT_FROM,
    Belief,
    Verdict,
    log_odds,
    signals,
    suspicion_of,
)
from prehowl.detectors.rises import COLUMN, COLUMNS, Rising, none_rising
from prehowl.detectors.trees import Trees
from prehowl.detectors.weights import ALARM_AT, NEPERS_PER_E_FOLD

CHANNELS, BINS = 2, 16

BY_RISE = Trees.from_rows(
    [(("rise",) * 3, (10.0, 20.0, 30.0), (-4.0, 0.0, 0.0, 0.0, 1.0, 0.0, 4.0, 9.0))],
    0.0,
    tuple(SIGNALS),
)
"""One tree that says -4, 1, 4 or 9 for a rise up to 10, up to 20, up to 30 dB and beyond."""

ODDS = {5.0: -4.0, 15.0: 1.0, 25.0: 4.0, 35.0: min(9.0, float(CEILING))}


def rising_at(places: list[tuple[int, int, float]]) -> Rising:
    """Return rows of (channel, bin, rise in dB); what else they say is of no account."""
    figures = np.ones((len(places), len(COLUMNS)), np.float32)
    figures[:, COLUMN["rise_db"]] = [rise for *_, rise in places]
    figures[:, COLUMN["growth_db_per_s"]] = [10 * rise + at for at, (*_, rise) in enumerate(places)]
    ch = np.array([ch for ch, *_ in places], np.intp)
    return Rising(ch, np.array([place for _, place, _ in places], np.intp), figures)


class SlowBelief:
    """The same in plain words: every bin of every channel, one after the other."""

    def __init__(self) -> None:
        self.belief = np.full((CHANNELS, BINS), FLOOR, float)

    def follow(self, places: list[tuple[int, int, float]]) -> dict[tuple[int, int], float]:
        """Return the belief in each bin of which there is news."""
        told: dict[tuple[int, int], float] = {}
        for ch, place, rise in places:
            told[ch, place] = max(told.get((ch, place), -99.0), ODDS[rise])
        news = {}
        for (ch, place), odds in told.items():
            before = self.belief[ch, place - 1 : place + 2].max()
            news[ch, place] = before + FOLLOW * (odds - before)
        self.belief += FADE * (FLOOR - self.belief)
        for at, now in news.items():
            self.belief[at] = now
        self.belief[self.belief <= FLOOR + 0.3] = FLOOR
        return news


PLACES = st.lists(
    st.tuples(st.integers(0, CHANNELS - 1), st.integers(4, 9), st.sampled_from(sorted(ODDS))),
    max_size=6,
)


def as_dict(verdict: Verdict) -> dict[tuple[int, int], float]:
    """Return the belief of each place."""
    places = zip(verdict.ch.tolist(), verdict.bin.tolist(), strict=True)
    return dict(zip(places, verdict.belief.tolist(), strict=True))


@settings(max_examples=60)
@given(st.lists(PLACES, max_size=8))
def test_the_running_belief_is_a_plain_loop(frames):
    """Oracle: slow reference: all bins of all frames, with fading, neighbours and the floor."""
    fast, slow = Belief(CHANNELS, BINS, BY_RISE), SlowBelief()
    for places in frames:
        assert as_dict(fast.follow(rising_at(places))) == pytest.approx(
            slow.follow(places), abs=1e-4
        )


@given(PLACES.filter(lambda places: len(places) > 1), st.randoms())
def test_the_order_of_rows_does_not_matter(places, random):
    """Oracle: invariance."""
    turned = random.sample(places, len(places))
    one, other = (Belief(CHANNELS, BINS, BY_RISE) for _ in range(2))
    assert as_dict(one.follow(rising_at(places))) == as_dict(other.follow(rising_at(turned)))


@given(st.lists(PLACES, min_size=1, max_size=6))
def test_channels_believe_by_themselves(frames):
    """Oracle: invariance: channel 1 alone as among others."""
    together, alone = (Belief(CHANNELS, BINS, BY_RISE) for _ in range(2))
    for places in frames:
        own = [place for place in places if place[0] == 1]
        heard = as_dict(together.follow(rising_at(places)))
        assert {at: now for at, now in heard.items() if at[0] == 1} == as_dict(
            alone.follow(rising_at(own))
        )


def test_growth_and_duration_are_those_of_the_most_telling_row():
    """Oracle: hand-worked: of three rows of one bin the one of 25 dB says most."""
    verdict = Belief(CHANNELS, BINS, BY_RISE).follow(
        rising_at([(0, 5, 15.0), (0, 5, 25.0), (0, 5, 5.0)])
    )
    assert verdict.growth_db_per_s.tolist() == [251]


def test_one_lucky_frame_is_no_certainty():
    """Oracle: closed form: of the way from -3 to 4 always the same share, and back by fading."""
    belief = Belief(CHANNELS, BINS, BY_RISE)
    heard = [float(belief.follow(rising_at([(0, 5, 25.0)])).belief[0]) for _ in range(5)]
    np.testing.assert_allclose(heard, 4 - 7 * (1 - FOLLOW) ** np.arange(1, 6), rtol=1e-5)
    for _ in range(3):
        assert len(belief.follow(none_rising()).ch) == 0
    left = -3 + (heard[-1] + 3) * (1 - FADE) ** 3
    again = float(belief.follow(rising_at([(0, 5, 25.0)])).belief[0])
    assert again == pytest.approx(left + FOLLOW * (4 - left), rel=1e-4)


def test_no_row_is_more_than_the_ceiling():
    """Oracle: definition."""
    assert log_odds(rising_at([(0, 5, 35.0)]), BY_RISE)[0] == CEILING
    assert log_odds(none_rising(), BY_RISE).shape == (0,)


def test_signals_come_in_the_order_of_their_names():
    """Oracle: hand-worked for those that are more than a column."""
    rising = rising_at([(0, 5, 12.0)])
    given_figures = {
        "duration_s": 0.4, "residual_db": 0.1, "late_share": 1.3, "last_share": 0.8,
        "wander_cents": 0.1, "rest_rise_db": -3.0, "flank_rise_db": 6.0,
    }  # fmt: skip
    for name, value in given_figures.items():
        rising.figures[:, COLUMN[name]] = value
    found = dict(zip(SIGNALS, signals(rising)[0].tolist(), strict=True))
    wanted = {
        "rise": 12, "needed": 12 - 2.2 / 0.5, "duration": 0.4, "residual": 0.1,
        "straight": 12 / 0.2, "late": 1, "last": 0.8, "wander_cents": 0.3, "rest_share": -0.25,
        "rest": -3, "flank_share": 0.5, "growth": 120,
    }  # fmt: skip
    assert {name: found[name] for name in wanted} == pytest.approx(wanted, rel=1e-5)


# suspicion


def test_suspicion_is_one_at_the_alarm_and_begins_at_a_suspect():
    """Oracle: definition, at sensitivity 1."""
    belief = np.array([ALARM_AT, ALARM_AT - SUSPECT_BELOW, -9], np.float32)
    np.testing.assert_allclose(
        suspicion_of(belief, np.ones(3, np.float32)), [1, SUSPECT_FROM, 0], atol=1e-5
    )


def test_sensitivity_moves_the_level_by_its_logarithm():
    """Oracle: closed form: e times as many false alarms where the level lies an e-fold lower."""
    level = np.float32([ALARM_AT - NEPERS_PER_E_FOLD, ALARM_AT + NEPERS_PER_E_FOLD])
    found = suspicion_of(level, np.exp(np.float32([1, -1])))
    np.testing.assert_allclose(found, 1, atol=1e-5)


@given(st.floats(-3, 6), st.floats(0, 5), st.floats(0.1, 10), st.floats(1, 10))
def test_suspicion_grows_with_belief_and_sensitivity(belief, more, sensitivity, factor):
    """Oracle: property."""
    pairs = np.float32([belief, belief + more, belief])
    found = suspicion_of(pairs, np.float32([sensitivity, sensitivity, sensitivity * factor]))
    assert found[1] >= found[0] - 1e-6
    assert found[2] >= found[0] - 1e-6
    assert (found >= 0).all()
