"""How many gifts to order: against textbooks, against sums, and with past campaigns that ran out."""

from itertools import count, takewhile
from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.random import default_rng

from makeweight.insight.ordering import Asked, TooLittleKnown, allowing, asked_by, best, level

PAST = [412, 388, 510, 455, 367, 498]  # invented campaigns


@pytest.mark.parametrize(
    ("mean", "leftover", "missing", "units", "cost"),
    [
        # Snyder and Shen, Fundamentals of Supply Chain Theory, 2nd ed., as in the docstrings of stockpyl 1.0.2 (MIT):
        # `newsvendor_poisson(0.18, 0.70, 50)`, and problem 4.8(b), `newsvendor_poisson(1, 4, 6)` with its cost at 5.
        (50, 0.18, 0.70, 56, 1.797235211809178),
        (6, 1, 4, 8, 3.5701069457709416),
        (6, 1, 4, 5, 6.590296024616343),
    ],
)
def test_textbook_newsvendors(mean, leftover, missing, units, cost):
    """Poisson demand: the quantity, and what it costs."""
    asked = Asked(mean)
    assert level(asked, units, missing, leftover).cost == pytest.approx(cost, abs=1e-6)
    if units != 5:
        assert best(asked, missing, leftover) == units


@pytest.mark.parametrize(
    ("units", "enough", "short", "fill", "cost"),
    [
        # Recomputed with scipy 1.17.1 (nbinom), apart from this code.
        (438, 0.518, 23.6, 0.946, 249.5),
        (460, 0.660, 14.5, 0.967, 188.4),
        (480, 0.770, 8.8, 0.980, 159.8),
        (499, 0.851, 5.2, 0.988, 152.0),
        (520, 0.914, 2.7, 0.994, 159.5),
        (560, 0.975, 0.7, 0.998, 201.8),
    ],
)
def test_what_a_quantity_comes_to(units, enough, short, fill, cost):
    """Enough for all is not the same as the share that is there: 94.6 % with 52 %."""
    found = level(asked_by(PAST), units, 900, 160)
    assert found.enough == pytest.approx(enough, abs=0.0006)
    assert found.short == pytest.approx(short, abs=0.06)
    assert found.fill == pytest.approx(fill, abs=0.0006)
    assert found.cost / 100 == pytest.approx(cost, abs=0.06)
    assert found.left == pytest.approx(units - asked_by(PAST).mean + found.short)


def test_the_quantity():
    """Of six campaigns 499; by Poisson 460, which is enough with 66 %; with the error of six 512 (511.4)."""
    asked = asked_by(PAST)
    assert (asked.mean, asked.size) == (pytest.approx(438.333, abs=0.001), pytest.approx(63.63, abs=0.01))
    assert best(asked, 900, 160) == 499
    assert best(Asked(asked.mean), 900, 160) == 460
    assert allowing(PAST, 900, 160) == 512


def test_campaigns_that_were_all_alike():
    """They vary less than Poisson's by chance alone: never less is taken."""
    assert asked_by([100, 100, 100]) == Asked(100, inf)
    assert allowing([100, 100, 100], 900, 160) > best(Asked(100), 900, 160) > 100


@given(
    st.floats(0.5, 300),
    st.one_of(st.just(inf), st.floats(0.3, 1_000)),
    st.integers(0, 600),
)
def test_what_is_missing_is_the_sum(mean, size, units):
    """E max(0, asked - q) is the sum over k >= q of P(asked > k)."""
    asked = Asked(mean, size)
    tail = takewhile(lambda part: part > 1e-12, (1 - asked.at_most(k) for k in count(units)))
    assert asked.short(units) == pytest.approx(sum(tail), rel=1e-5, abs=1e-6)


@given(st.floats(0.5, 300), st.one_of(st.just(inf), st.floats(0.3, 1_000)), st.integers(1, 99), st.integers(1, 99))
def test_no_other_quantity_is_cheaper(mean, size, missing, leftover):
    """Neither one more nor one less, nor what is far away."""
    asked = Asked(mean, size)
    found = best(asked, missing, leftover)
    cost = level(asked, found, missing, leftover).cost
    for other in {max(0, found - 1), found + 1, found // 2, 2 * found + 1}:
        assert level(asked, other, missing, leftover).cost >= cost - 1e-6


@pytest.mark.parametrize("size", [4.0, 60.0])
def test_campaigns_that_ran_out_tell_of_the_stock(size):
    """A thousand campaigns of a known demand, half of which ran out at the median: the demand is found all the same."""
    mean = 400
    drawn = [int(n) for n in default_rng(20261124).negative_binomial(size, size / (size + mean), 1_000)]
    stock = sorted(drawn)[500]
    told, ran_out = [n for n in drawn if n < stock], [stock for n in drawn if n >= stock]
    found = asked_by(told, ran_out)
    assert found.mean == pytest.approx(mean, rel=0.05)
    assert found.size == pytest.approx(size, rel=0.15)
    assert asked_by([*told, *ran_out]).mean < 0.97 * mean  # who takes the stock for the demand


def test_what_ran_out_asks_for_more():
    """The same count told as a campaign that ran out makes the quantity no smaller."""
    assert best(asked_by(PAST[:5], [498]), 900, 160) > best(asked_by(PAST[:5]), 900, 160)


@pytest.mark.parametrize(
    ("counts", "ran_out", "text"),
    [
        ([], [], "expected 2 or more past campaigns that did not run out, not 0"),
        ([5], [5, 5, 5], "that did not run out, not 1"),
        ([0, 0], [], "asked for nothing"),
        ([-1, 5], [], "expected whole numbers from 0"),
        ([5, 5], [10**9], "expected whole numbers from 0"),
    ],
)
def test_too_little_is_known(counts, ran_out, text):
    """It says what is missing, in place of a number."""
    with pytest.raises(TooLittleKnown, match=text):
        asked_by(counts, ran_out)


@pytest.mark.parametrize("costs", [(0, 160), (900, 0), (-1, 5)])
def test_costs_that_decide_nothing(costs):
    """Without a cost of either there is no best quantity."""
    with pytest.raises(ValueError, match="must both be above 0"):
        best(Asked(100), *costs)
