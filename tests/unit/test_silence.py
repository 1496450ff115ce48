"""Silence: how unlikely it is, against statsmodels' exact limits and SciPy, and what it points to."""

from datetime import UTC, datetime, timedelta
from math import exp

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import nbinom, poisson
from statsmodels.stats.rates import confint_poisson

from makeweight.insight.profile import Profile
from makeweight.insight.silence import overdue, overdue_from, quiet, silence_of


@pytest.mark.parametrize(("seen", "low", "high"), [(0, 0.0, 3.689), (3, 0.619, 8.767), (10, 4.795, 18.390)])
def test_tails_meet_at_the_exact_limits(seen, low, high):
    """Source: Garwood 1936 (values from memory), as statsmodels has them: each limit leaves 2.5 % in its tail."""
    exact = confint_poisson(seen, 1, method="exact-c")
    assert exact == pytest.approx((low, high), abs=5e-4)
    assert quiet(exact[1], seen) == pytest.approx(0.025)
    if seen:
        assert 1 - quiet(exact[0], seen - 1) == pytest.approx(0.025)


@given(expected=st.floats(0, 500), seen=st.integers(0, 600), certainty=st.floats(0.5, 1000))
def test_tails_are_those_of_scipy(expected, seen, certainty):
    """Reference: scipy.stats; an uncertain expectation makes a negative binomial."""
    assert quiet(expected, seen) == pytest.approx(poisson(expected).cdf(seen), abs=1e-9)
    p = certainty / (certainty + expected)
    assert quiet(expected, seen, certainty) == pytest.approx(nbinom(certainty, p).cdf(seen), abs=1e-9)


def test_an_uncertain_expectation_makes_silence_less_telling():
    """Eight expected and none seen is one in 3,000 by Poisson, and no alarm if the eight come from four past units."""
    assert quiet(8, 0) == pytest.approx(exp(-8))
    assert overdue(8)
    assert not overdue(8, certainty=4)
    assert not overdue(8, certainty=8)


def test_an_offer_is_overdue_when_seven_were_expected():
    """-ln(0.001) = 6.9 units: at two an hour, after 3 h 27 min; just before it is not overdue yet."""
    start = datetime(2026, 11, 24, 10, tzinfo=UTC)
    limit = start + timedelta(days=1)
    at = overdue_from(Profile.flat("UTC"), start, 2.0, limit)
    assert at - start == timedelta(hours=6.907755278982137 / 2)
    assert not overdue(2.0 * 3.45)
    assert overdue(2.0 * 3.46)
    assert overdue_from(Profile.flat("UTC"), start, 0.1, limit) is None
    assert overdue_from(Profile.flat("UTC"), start, 0.0, limit) is None


@pytest.mark.parametrize(
    ("counts", "found"),
    [
        ((12.0, 0, 90.0, 0), "gap"),  # nothing at all: the feed
        ((2.0, 0, 90.0, 0), "gap"),  # of this offer alone nobody could tell, but nothing else came either
        ((12.0, 0, 90.0, 85), "drop"),  # the feed is alive
        ((40.0, 12, 90.0, 85), "drop"),
        ((40.0, 12, 90.0, 0), "drop"),  # alive: twelve of this came
        ((12.0, 9, 90.0, 85), "none"),
        ((2.0, 0, 90.0, 85), "none"),
        ((1.0, 0, 2.0, 0), "none"),  # a quiet hour of a small shop
        ((12.0, 0, 0.0, 0), "gap"),  # the only offer: nothing came at all
    ],
)
def test_a_gap_is_not_a_drop(counts, found):
    """No event at all where many were expected is the feed; none of this among others is the offer."""
    assert silence_of(*counts) == found


@pytest.mark.parametrize("counts", [(-1.0, 0), (float("nan"), 0), (1.0, -1), (1.0, 0, 0.0)])
def test_what_is_no_expectation(counts):
    """Refused, rather than told as a probability."""
    with pytest.raises(ValueError, match="expected"):
        quiet(*counts)
