"""Confidence intervals against published tables."""

import pytest

from prehowl.daemon.bench.intervals import median_interval, poisson, wilson


@pytest.mark.parametrize(
    ("hits", "of", "low", "high"),
    [
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_wilson_gives_the_published_worked_examples(hits, of, low, high):
    """Oracle: R. G. Newcombe, Stat. Med. 17, 1998, 857-872, table I, score method (from memory)."""
    assert wilson(hits, of) == pytest.approx((low, high), abs=5e-5)


@pytest.mark.parametrize(
    ("count", "low", "high"),
    [(0, 0, 3.689), (1, 0.0253, 5.572), (5, 1.623, 11.668), (10, 4.795, 18.390)],
)
def test_poisson_gives_the_tabled_exact_limits(count, low, high):
    """Oracle: table of exact 95 % limits of a Poisson count (Garwood 1936; from memory)."""
    assert poisson(count, 1.0) == pytest.approx((low, high), rel=1e-3)
    assert poisson(count, 4.0) == pytest.approx((low / 4, high / 4), rel=1e-3)


def test_median_interval_takes_the_tabled_order_statistics():
    """Oracle: textbook table of the sign-test interval: n = 10 takes the 2nd and the 9th value
    (97.9 %), n = 20 the 6th and the 15th (95.9 %); five values cannot give 95 % (from memory)."""
    assert median_interval(list(range(1, 11))) == (2, 9)
    assert median_interval(list(range(1, 21))) == (6, 15)
    assert median_interval([1, 2, 3, 4, 5]) is None


@pytest.mark.parametrize(("hits", "of"), [(1, 0), (3, 2), (-1, 5)])
def test_impossible_shares_are_refused(hits, of):
    """Oracle: definition of a share."""
    with pytest.raises(ValueError, match="needs 0 <= hits <= of"):
        wilson(hits, of)


def test_impossible_rates_are_refused():
    """Oracle: definition of a rate."""
    with pytest.raises(ValueError, match="exposure > 0"):
        poisson(3, 0.0)
