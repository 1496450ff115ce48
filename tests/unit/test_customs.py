"""Customs lines of gifts and the tariff categories of a parcel (rules of the trade 2.32).

'Ex-n' is a worked example of the rules of the trade: common practice, no source beside the ones that are named.
"""

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from makeweight.domain.campaigns import Customs
from makeweight.domain.customs import (
    INTERIM_PERIOD,
    CustomsLine,
    customs_line,
    interim_duty,
    sub_heading,
    tariff_categories,
)

BRUSSELS = ZoneInfo("Europe/Brussels")
AUTUMN = datetime(2026, 10, 1, 12, tzinfo=BRUSSELS)
CREAM, PAD = "3304.99", "4820.10"
# Blouses of women by the Harmonized System: 6206.10 of silk, 6206.20 of wool (from memory).
SILK, WOOL = "6206.10", "6206.20"


def test_the_official_example():
    """Source: reports of the Council of the EU, 11 February 2026: 1 silk and 2 wool blouses are 2 categories, EUR 6."""
    categories = tariff_categories([SILK, WOOL, WOOL])
    assert categories == 2
    assert interim_duty(categories, 90_00, AUTUMN) == 6_00


@pytest.mark.parametrize(("codes", "cents"), [([CREAM], 3_00), ([CREAM, PAD], 6_00), ([CREAM, CREAM], 3_00)])
def test_what_a_gift_adds(codes, cents):
    """Ex-42, and the trap 'gift adds a tariff category': a sketchpad with a cream doubles the duty, a cream doesn't."""
    assert interim_duty(tariff_categories(codes), 38_50, AUTUMN) == cents


def test_declared_lines():
    """Ex-43: cream 36.00 and sketchpad 2.50 make 38.50; never 36.00 with something hidden beside it."""
    cream = CustomsLine("Face cream", CREAM, "IE", 1, 36_00)
    pad = customs_line("Sketchpad A6", Customs(PAD, "PT"), 2_50)
    assert (pad.description, pad.hs_code, pad.origin, pad.units, pad.value) == ("Sketchpad A6", PAD, "PT", 1, 2_50)
    assert cream.value + pad.value == 38_50
    assert {cream.category, pad.category} == {"sale of goods"}  # GOV.UK: a gift is from person to person
    assert customs_line("Sketchpad A6", Customs(PAD, "PT"), 2_50, 3).value == 7_50


def test_nothing_is_declared_at_zero():
    """Source: GOV.UK, 'Free of charge goods': no sale, no transaction value; the price that would have been paid."""
    with pytest.raises(ValueError, match="never at 0"):
        customs_line("Sketchpad A6", Customs(PAD, "PT"), 0)


@pytest.mark.parametrize(
    ("members", "part"),
    [
        (("", PAD, "PT", 1, 250), "needs its description"),
        (("Pad", "", "PT", 1, 250), "needs its commodity code"),
        (("Pad", PAD, "", 1, 250), "needs its origin"),
        (("Pad", PAD, "PT", 0, 250), "0 units"),
        (("Pad", PAD, "PT", 1, -250), "value -250"),
    ],
)
def test_an_incomplete_line_is_refused(members, part):
    """What is unknown blocks (rules of the trade 2.40): a broker or customs manager answers for it."""
    with pytest.raises(ValueError, match=part):
        CustomsLine(*members)


@pytest.mark.parametrize(
    ("code", "found"),
    [
        ("3304.99", "330499"),
        ("330499", "330499"),
        ("3304.99.00.10", "330499"),
        ("33049900", "330499"),
        ("3304", None),
        ("", None),
        (None, None),
        ("3304.9x", None),
    ],
)
def test_a_sub_heading_has_six_digits(code, found):
    """The Harmonized System: chapter, heading and sub-heading are six digits; countries add theirs (from memory)."""
    assert sub_heading(code) == found


def test_an_unknown_code_makes_the_count_unknown():
    """One article without a sub-heading could be a category of its own, or not."""
    assert tariff_categories([CREAM, None]) is None
    assert tariff_categories([CREAM, "4820"]) is None
    assert interim_duty(None, 38_50, AUTUMN) is None
    assert tariff_categories([]) == 0


@pytest.mark.parametrize(
    ("at", "value", "cents"),
    [
        (datetime(2026, 7, 1, tzinfo=BRUSSELS), 149_99, 6_00),
        (datetime(2026, 7, 1, tzinfo=BRUSSELS) - timedelta(microseconds=1), 149_99, 0),
        (datetime(2028, 7, 1, tzinfo=BRUSSELS) - timedelta(microseconds=1), 149_99, 6_00),
        (datetime(2028, 7, 1, tzinfo=BRUSSELS), 149_99, 0),
        (AUTUMN, 150_00, 0),
    ],
)
def test_when_the_interim_duty_applies(at, value, cents):
    """Source: reports of the Council of the EU, 11 February 2026: below EUR 150, 1 July 2026 to 1 July 2028."""
    assert interim_duty(2, value, at) == cents


def test_where_it_does_not_apply_nothing_is_unknown():
    """Outside the period an unknown code costs nothing."""
    assert interim_duty(None, 38_50, INTERIM_PERIOD.end) == 0
