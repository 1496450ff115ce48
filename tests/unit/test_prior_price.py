"""The prior price of a reduction and the percent from it (rules of the trade 2.28 and 2.29).

Sources: Directive 98/6/EC Article 6a, Commission Notice 2021/C 526/02, CJEU C-330/23. 'Ex-n' is a worked example of the
rules of the trade: common practice, no source beside the law that it applies.
"""

from datetime import UTC, date, datetime, timedelta
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from makeweight.domain.moments import ClockChange
from makeweight.domain.prior_price import (
    NotAReduction,
    PriceFrom,
    PriorPriceUnknown,
    claimed_percent,
    history_of,
    local_history,
    local_start,
    prior_price,
)

DUBLIN = "Europe/Dublin"
SALE = local_start(date(2026, 10, 15), DUBLIN)
EX_37 = [(date(2026, 9, 1), 50_00), (date(2026, 9, 21), 42_00), (date(2026, 9, 28), 55_00)]
EX_38 = [(date(2026, 8, 1), 100_00), (date(2026, 10, 1), 90_00), (date(2026, 10, 8), 80_00)]


def serum(prices, zone=DUBLIN):
    """A history of one invented item from local dates."""
    return local_history("SERUM", "IE", zone, prices)


def test_the_lowest_price_of_thirty_days():
    """Ex-37 by Directive 98/6/EC Article 6a(1), (2): prior 42.00, since 21 September; a later 55.00 hides nothing."""
    found = prior_price(serum(EX_37), SALE)
    assert (found.price, found.since) == (42_00, local_start(date(2026, 9, 21), DUBLIN))
    assert found.looked_at.start == local_start(date(2026, 9, 15), DUBLIN)
    assert claimed_percent(found.price, 39_90) == 5  # CJEU C-330/23: from the prior price, not 27 % from the 55.00


def test_a_sale_above_the_prior_price_is_none():
    """Ex-37 by CJEU C-330/23: 44.00 is below the 55.00 of the day before and above the prior price: blocked."""
    with pytest.raises(NotAReduction, match="not a reduction"):
        claimed_percent(prior_price(serum(EX_37), SALE).price, 44_00)


@pytest.mark.parametrize(
    ("prior", "sale", "percent"),
    [(29_99, 20_99, 30), (14_95, 10_47, 29), (50_00, 30_02, 39), (42_00, 39_90, 5), (100_00, 99_99, 0), (1, 0, 100)],
)
def test_a_percent_is_rounded_down(prior, sale, percent):
    """Ex-36 and the trap 'percent claim rounding up': 39.96 % is not '40 %'."""
    assert claimed_percent(prior, sale) == percent


@pytest.mark.parametrize("sale", [42_00, 42_01])
def test_an_equal_or_higher_price_is_no_reduction(sale):
    """By the words of Directive 98/6/EC Article 6a: a reduction is from the prior price."""
    with pytest.raises(NotAReduction):
        claimed_percent(42_00, sale)


@given(prior=st.integers(1, 10**9), less=st.integers(1, 10**9))
def test_no_percent_says_too_much(prior, less):
    """The claimed percent of the prior price is at most what the customer saves, and one more would be too much."""
    sale = max(0, prior - less)
    percent = claimed_percent(prior, sale)
    assert Fraction(percent, 100) <= Fraction(prior - sale, prior) < Fraction(percent + 1, 100)


def test_an_uninterrupted_series_keeps_its_first_prior_price():
    """Ex-38 by Article 6a(5): 100 -> 90 -> 80 -> 70 is 30 % off where the market opted in, else 12 % off 80."""
    opted = prior_price(serum(EX_38), SALE, progressive=True, sale=70_00)
    assert (opted.price, opted.series_from) == (100_00, local_start(date(2026, 10, 1), DUBLIN))
    assert claimed_percent(opted.price, 70_00) == 30
    plain = prior_price(serum(EX_38), SALE)
    assert (plain.price, plain.series_from, claimed_percent(plain.price, 70_00)) == (80_00, None, 12)


def test_an_interrupted_series_does_not():
    """Ex-38: with a week back at 100 before the 70 the prior price is 80, opted in or not."""
    back = [*EX_38[:2], (date(2026, 10, 4), 80_00), (date(2026, 10, 8), 100_00)]
    found = prior_price(serum(back), SALE, progressive=True, sale=70_00)
    assert (found.price, found.series_from, claimed_percent(found.price, 70_00)) == (80_00, None, 12)


@pytest.mark.parametrize("sale", [80_00, 85_00])
def test_a_reduction_that_does_not_grow_interrupts_the_series(sale):
    """Article 6a(5) speaks of a reduction that grows: 100 -> 90 -> 80 and then 85 is no '15 % off'."""
    found = prior_price(serum(EX_38), SALE, progressive=True, sale=sale)
    assert (found.price, found.series_from) == (80_00, None)


def test_a_price_said_again_interrupts_nothing():
    """100 -> 90 -> 90 -> 80 -> 70 is the series of Ex-38: the second 90 is no new price."""
    again = [*EX_38[:2], (date(2026, 10, 4), 90_00), EX_38[2]]
    assert serum(again) == serum(EX_38)


def test_the_first_of_a_series_looks_back_as_any_other():
    """Article 6a(5) with (2): before the series, too, the lowest price of 30 days counts, not the last."""
    dip = [(date(2026, 8, 1), 100_00), (date(2026, 9, 10), 85_00), (date(2026, 9, 12), 100_00), *EX_38[1:]]
    found = prior_price(serum(dip), SALE, progressive=True, sale=70_00)
    assert (found.price, found.since) == (85_00, local_start(date(2026, 9, 10), DUBLIN))


def test_edges_of_the_thirty_days():
    """Half-open: what was in force as the days began counts, what ended at that instant doesn't."""
    start = SALE - timedelta(days=30)
    cheap_until = lambda end: history_of(  # noqa: E731
        "SERUM", "IE", [PriceFrom(start - timedelta(days=9), 10_00), PriceFrom(end, 50_00)], DUBLIN
    )
    assert prior_price(cheap_until(start), SALE).price == 50_00
    assert prior_price(cheap_until(start + timedelta(microseconds=1)), SALE).price == 10_00
    # The sale's own price, and whatever follows it, is not before it.
    after = history_of("SERUM", "IE", [PriceFrom(start, 50_00), PriceFrom(SALE, 5_00)], DUBLIN)
    assert prior_price(after, SALE).price == 50_00


def test_a_short_history_blocks_the_claim():
    """Article 6a(2): not less than 30 days; what is unknown blocks (rules of the trade 2.40)."""
    with pytest.raises(
        PriorPriceUnknown, match=r"SERUM are known from 2026-09-16T00.*begin at 2026-09-15T00:00:00\+01:00"
    ):
        prior_price(serum([(date(2026, 9, 16), 50_00)]), SALE)
    assert prior_price(serum([(date(2026, 9, 15), 50_00)]), SALE).price == 50_00
    # Article 6a(4): a Member State may set a shorter period for goods that are new on the market.
    assert prior_price(serum([(date(2026, 9, 16), 50_00)]), SALE, days=14).price == 50_00
    # A history that begins after the reduction shows nothing before it.
    with pytest.raises(PriorPriceUnknown):
        prior_price(serum([(date(2026, 10, 15), 50_00)]), SALE)


@pytest.mark.parametrize(("day", "hours"), [(date(2026, 4, 10), 719), (date(2026, 11, 10), 721)])
def test_days_are_those_of_the_wall_clock(day, hours):
    """The trap '7 x 24 h', for 30 days: with a clock change within they have 719 or 721 hours in Dublin."""
    found = prior_price(serum([(date(2026, 1, 1), 50_00)]), local_start(day, DUBLIN))
    assert found.looked_at.length == timedelta(hours=hours)


def test_a_day_without_midnight_has_a_first_instant():
    """tzdata: Cairo puts the clock forward at midnight of 24 April 2026; the day begins as the gap ends."""
    assert local_start(date(2026, 4, 24), "Africa/Cairo") == datetime(2026, 4, 23, 22, tzinfo=UTC)
    with pytest.raises(ClockChange):
        local_start(datetime(2026, 4, 24, 0, 30), "Africa/Cairo")  # noqa: DTZ001


@pytest.mark.parametrize(
    ("prices", "fault"),
    [
        ([], "at least one price"),
        ([(date(2026, 9, 1), 1), (date(2026, 9, 1), 2)], "two prices begin at"),
        ([(date(2026, 9, 1), -1)], "below 0"),
    ],
)
def test_what_is_no_history(prices, fault):
    """Nothing is guessed: two prices at one instant are a question, not an answer."""
    with pytest.raises(ValueError, match=fault):
        serum(prices)


steps = st.lists(st.tuples(st.integers(0, 80), st.integers(1, 9)), min_size=1, max_size=8, unique_by=lambda s: s[0])


@given(steps=steps)
def test_against_asking_every_hour(steps):
    """The same by brute force: the lowest of the prices in force at each hour of the 30 days."""
    zero = datetime(2026, 1, 1, tzinfo=UTC)
    at = zero + timedelta(days=70)
    history = history_of("S", "IE", [PriceFrom(zero + timedelta(days=day), price) for day, price in steps])
    hours = [at - timedelta(hours=h) for h in range(1, 721)]
    in_force = [
        next((s.price for s in history.spans if s.start <= h and (s.end is None or h < s.end)), None) for h in hours
    ]
    if None in in_force:
        with pytest.raises(PriorPriceUnknown):
            prior_price(history, at)
    else:
        assert prior_price(history, at).price == min(in_force)
