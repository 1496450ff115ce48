"""Intervals of rates against published tables and against statsmodels, the reference library of these tests."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

from makeweight.insight.rates import newcombe, wilson

# (hits, tries) with at least one try, of shops small and large.
proportions = st.integers(1, 10**6).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
levels = st.floats(0.5, 0.999)


@pytest.mark.parametrize(
    ("hits", "tries", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_wilson_of_the_table(hits, tries, low, high):
    """Source: Newcombe 1998, Statistics in Medicine 17:857-872, table I, method 3 (values from memory)."""
    assert wilson(hits, tries) == pytest.approx((low, high), abs=5e-5)


@pytest.mark.parametrize(
    ("counts", "low", "high"),
    [
        ((56, 70, 48, 80), 0.0524, 0.3339),
        ((9, 10, 3, 10), 0.1705, 0.8090),
        ((10, 10, 0, 20), 0.6791, 1.0000),
    ],
)
def test_newcombe_of_the_table(counts, low, high):
    """Source: Newcombe 1998, Statistics in Medicine 17:873-890, method 10 (values from memory)."""
    assert newcombe(*counts) == pytest.approx((low, high), abs=5e-5)


@given(counts=proportions, confidence=levels)
def test_wilson_is_that_of_statsmodels(counts, confidence):
    """Reference library: statsmodels, proportion_confint(method='wilson')."""
    hits, tries = counts
    expected = proportion_confint(hits, tries, alpha=1 - confidence, method="wilson")
    assert wilson(hits, tries, confidence) == pytest.approx(expected, abs=1e-9)


@given(one=proportions, other=proportions, confidence=levels)
def test_newcombe_is_that_of_statsmodels(one, other, confidence):
    """Reference library: statsmodels, confint_proportions_2indep(method='newcomb')."""
    expected = confint_proportions_2indep(*one, *other, method="newcomb", compare="diff", alpha=1 - confidence)
    assert newcombe(*one, *other, confidence) == pytest.approx(expected, abs=1e-7)


@given(one=proportions, other=proportions)
def test_an_interval_holds_what_was_seen(one, other):
    """The rate that was seen lies in its interval, and so does a difference, and all of them are possible."""
    low, high = wilson(*one)
    assert 0 <= low <= one[0] / one[1] <= high <= 1
    assert low < high
    low, high = newcombe(*one, *other)
    assert -1 <= low <= one[0] / one[1] - other[0] / other[1] <= high <= 1
    mirrored = newcombe(*other, *one)
    assert (-mirrored.high, -mirrored.low) == pytest.approx((low, high))


@pytest.mark.parametrize("hits", [0, 20])
def test_no_fault_yet_is_not_no_fault_ever(hits):
    """The trap 'Wald at 0/20': Wald's interval is a point, at 0 or at 100 %, and Wilson's isn't."""
    wald = proportion_confint(hits, 20, method="normal")
    assert wald == (hits / 20, hits / 20)
    low, high = wilson(hits, 20)
    assert high - low == pytest.approx(0.1611, abs=5e-5)
    assert hits / 20 in (low, high)


@pytest.mark.parametrize(
    ("numbers", "percents"),
    [
        ((1_240, 8_600), (13.7, 15.2)),
        ((196, 1_077), (16.0, 20.6)),
        ((36, 361), (7.3, 13.5)),
        ((1_197, 1_240), (95.4, 97.4)),
    ],
)
def test_rates_of_the_trade(numbers, percents):
    """Qualification, take-up and fill rates as the trade's numbers give them (recomputed there with a package)."""
    assert [round(100 * end, 1) for end in wilson(*numbers)] == list(percents)


@pytest.mark.parametrize("counts", [(0, 0), (-1, 5), (6, 5)])
def test_what_is_no_proportion(counts):
    """Of nothing no rate is known: it is refused rather than told as 0."""
    with pytest.raises(ValueError, match="is no proportion"):
        wilson(*counts)
    with pytest.raises(ValueError, match="is no proportion"):
        newcombe(1, 2, *counts)


@pytest.mark.parametrize("confidence", [0, 1, 95, float("nan")])
def test_what_is_no_confidence(confidence):
    """95 is a slip for 0.95."""
    with pytest.raises(ValueError, match=r"such as 0\.95"):
        wilson(1, 2, confidence)
