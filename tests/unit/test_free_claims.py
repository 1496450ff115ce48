"""What speaks against calling a gift 'free' (rules of the trade 2.30): a raised price, and being offered too often.

Sources: 16 CFR 251.1(a), (b) and 233.4; 251.1(h), with its figures from memory. 'Ex-n' is a worked example of the rules
of the trade: common practice, no source beside these.
"""

from datetime import date, timedelta

import pytest

from makeweight.domain.free_claims import FreeOffer, raised_before, sold_too_much, too_often
from makeweight.domain.moments import Window
from makeweight.domain.prior_price import local_history, local_start

NEW_YORK = "America/New_York"


def free(name, start, days=14):
    """An offer of some days from a local day on."""
    return FreeOffer(name, Window(local_start(start, NEW_YORK), local_start(start + timedelta(days=days), NEW_YORK)))


SPRING, SUMMER, AUTUMN = (
    free("spring", date(2026, 3, 2)),
    free("summer", date(2026, 6, 1)),
    free("autumn", date(2026, 9, 7)),
)


@pytest.mark.parametrize(
    ("prices", "part"),
    [
        ([(date(2026, 1, 1), 18_00), (date(2026, 8, 29), 20_00)], "was 1800 from 2026-01-01T00:00:00-05:00"),
        ([(date(2026, 1, 1), 18_00), (date(2026, 9, 1), 20_00)], "raised for it"),
        ([(date(2026, 8, 20), 20_00)], "are known from"),
        ([(date(2026, 10, 1), 20_00)], "are known from"),
    ],
)
def test_a_raised_price_blocks(prices, part):
    """Ex-39 by 16 CFR 251.1(a), (b) and 233.4: from 18 to 20 three days before, or just then; unknown blocks too."""
    history = local_history("SERUM", "US", NEW_YORK, prices)
    assert part in raised_before(history, local_start(date(2026, 9, 1), NEW_YORK))


@pytest.mark.parametrize(
    "prices",
    [
        [(date(2026, 1, 1), 20_00)],
        [(date(2026, 1, 1), 18_00), (date(2026, 7, 1), 20_00)],
        [(date(2026, 1, 1), 20_00), (date(2026, 8, 29), 18_00)],
    ],
)
def test_a_regular_price_does_not(prices):
    """16 CFR 251.1(b): asked for 30 days (from memory), or lower than it was."""
    assert (
        raised_before(local_history("SERUM", "US", NEW_YORK, prices), local_start(date(2026, 9, 1), NEW_YORK)) is None
    )


def test_the_third_offer_is_allowed_and_the_fourth_warned():
    """Ex-40 by 16 CFR 251.1(h): 3 in 12 months."""
    assert too_often(AUTUMN, [SPRING, SUMMER], NEW_YORK) == []
    (warned,) = too_often(free("winter", date(2026, 12, 1)), [SPRING, SUMMER, AUTUMN], NEW_YORK)
    assert warned.startswith("4 free offers of the item begin within 12 months")
    # A year after the first it is the third again, and planned between others it counts with those after it.
    assert too_often(free("next", date(2027, 3, 2)), [SPRING, SUMMER, AUTUMN], NEW_YORK) == []
    assert len(too_often(free("new", date(2026, 7, 20)), [SPRING, SUMMER, AUTUMN], NEW_YORK)) == 1


@pytest.mark.parametrize(
    ("gap", "warned"), [(30, []), (21, ["21 days lie between it and summer; at least 30 are usual"])]
)
def test_a_gap_of_21_days_is_warned(gap, warned):
    """Ex-40 by 16 CFR 251.1(h): 30 days between offers, before as after."""
    later = free("later", date(2026, 6, 15) + timedelta(days=gap))
    assert too_often(later, [SUMMER], NEW_YORK) == warned
    assert [text.replace("later", "summer") for text in too_often(SUMMER, [later], NEW_YORK)] == warned


def test_a_gap_is_counted_in_days():
    """The trap '7 x 24 h': from 16 February to 18 March 2026 are 30 days, and 719 hours in New York."""
    assert too_often(free("b", date(2026, 3, 18)), [free("a", date(2026, 2, 2))], NEW_YORK) == []


def test_offers_that_overlap_have_no_gap():
    """Two at once have none, however long each is."""
    (warned,) = too_often(free("again", date(2026, 6, 5)), [SUMMER], NEW_YORK)
    assert warned.startswith("0 days lie between")


@pytest.mark.parametrize(("days", "warned"), [(90, False), (91, False), (94, True)])
def test_half_of_the_year_is_warned(days, warned):
    """16 CFR 251.1(h): not more than 6 of 12 months; here twice so many days."""
    found = too_often(free("b", date(2026, 8, 1), days), [free("a", date(2026, 2, 1), days)], NEW_YORK)
    assert any("6 of 12 months" in text for text in found) is warned


def test_shared_days_count_once():
    """Four months in which two offers are on are four months."""
    both = too_often(free("b", date(2026, 2, 1), 120), [free("a", date(2026, 2, 1), 120)], NEW_YORK)
    assert not any("6 of 12 months" in text for text in both)
    assert any("6 of 12" in text for text in too_often(free("long", date(2026, 2, 1), 190), [], NEW_YORK))


def test_an_offer_is_not_beside_itself():
    """What is planned may stand among the others already."""
    assert too_often(AUTUMN, [SPRING, SUMMER, AUTUMN], NEW_YORK) == []


def test_a_leap_day_has_a_year():
    """29 February 2028 and a year: 28 February 2029."""
    leap = free("leap", date(2028, 2, 29))
    assert too_often(leap, [], NEW_YORK) == []


@pytest.mark.parametrize(
    ("under", "units", "warned"), [(50, 100, False), (51, 100, True), (0, 0, False), (0, 9, False)]
)
def test_half_of_the_units(under, units, warned):
    """16 CFR 251.1(h): at most 50 % of the volume sold under free offers."""
    assert (sold_too_much(under, units) is not None) is warned
    with pytest.raises(ValueError, match="expected from 0 to all"):
        sold_too_much(units + 1, units)
