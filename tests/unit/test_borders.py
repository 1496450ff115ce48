"""What a ticket tells of its gifts to whoever packs and declares them: customs lines, tariff categories, cautions.

The rules (2.32 - 2.34) and their examples 'Ex-n' are common practice of the trade, no source but those named.
"""

import pytest

from makeweight.domain.customs import interim_duty
from makeweight.domain.orders import Destination
from tests.support.build import PLACED, line, order
from tests.support.shop import ANSWERED, Shop, document, gives

CREAM = "3304.99"


def shop_of(hs_code="4820.10", **members):
    """A shop in Ireland whose gift is a sketch pad of 2.50, with its customs data unless that is None."""
    pad = {"gift": "PAD", "title": "Sketch pad", "stated_value": 250, "cautions": ANSWERED, **members}
    if hs_code is not None:
        pad["customs"] = {"hs_code": hs_code, "origin": "IE"}
    asked = document(gives("tin", "PAD", at_least=1000), gifts=[pad], ships_from="IE", same_customs_area=["FR"])
    return Shop([asked], {("week/tin", "PAD", "main"): 9})


def cream(country, hs_code=CREAM, **members):
    """Ex-43's order: a face cream of 36.00, to some country."""
    return order(line(3600, hs_code=hs_code), destination=Destination(country=country, **members))


@pytest.mark.parametrize(
    ("gift", "categories", "duty"), [("4820.10", 2, 600), (CREAM, 1, 300)], ids=["another heading", "the same heading"]
)
def test_ex42_a_gift_can_add_a_tariff_category(gift, categories, duty):
    """Ex-42: cream and sketch pad are two categories, 6 EUR; a gift of the cream's own heading adds none.

    The 3 EUR for each category from July 2026 stand in reports of the Council of 11 February 2026.
    """
    shop = shop_of(gift)
    shop.place(cream("GB"))
    ticket = shop.ticket("A")
    assert ticket.tariff_categories == categories
    assert interim_duty(ticket.tariff_categories, 3850, PLACED) == duty


def test_ex43_a_gift_is_declared_at_what_it_is_worth():
    """Ex-43: a line of its own, 2.50, a sale of goods: never 0, never hidden (GOV.UK on free of charge goods)."""
    shop = shop_of()
    shop.place(cream("GB"))
    (gift,) = shop.ticket("A").gift_lines
    declared = gift.customs_line
    assert (declared.value, declared.units, declared.hs_code, declared.origin) == (250, 1, "4820.10", "IE")
    assert declared.category == "sale of goods"


@pytest.mark.parametrize("country", ["IE", "FR", ""], ids=["at home", "same customs area", "not known"])
def test_no_customs_line_where_no_border_is_known_to_be_crossed(country):
    """The data stays on the gift line for whoever knows better; which countries are one area the campaign says."""
    shop = shop_of()
    shop.place(cream(country))
    (gift,) = shop.ticket("A").gift_lines
    assert (gift.customs_line, gift.customs.hs_code) == (None, "4820.10")
    assert shop.ticket("A").tariff_categories is None


def test_an_unknown_heading_leaves_the_categories_unknown():
    """Unknown is unknown, not one more and not none."""
    shop = shop_of()
    shop.place(cream("GB", hs_code=None))
    assert shop.ticket("A").tariff_categories is None
    assert shop.ticket("A").gift_lines[0].customs_line is not None


def test_a_gift_without_customs_data_stays_at_home():
    """Rule 2.32: it needs a line, and has nothing to put on it."""
    shop = shop_of(hs_code=None)
    shop.place(cream("GB"))
    assert shop.ticket("A").gift_lines == []
    assert shop.amounts("A") == {"blocked_by_caution/week/tin": 1}
    for country in ("IE", "FR"):
        shop.place(order(line(3600), order=country, destination=Destination(country=country)))
        assert len(shop.ticket(country).gift_lines) == 1


def test_whoever_packs_it_reads_its_cautions():
    """Rule 2.33: a gift that is dangerous goods makes a plain parcel one, so the ticket says so."""
    cautions = {
        "dangerous_goods": {"class": "3", "lanes": ["ground"]},
        "age": "none",
        "food": {"allergens": ["milk"]},
        "carries": ["fragrance"],
    }
    shop = shop_of(cautions=cautions)
    shop.place(cream("IE", lane="ground"))
    (gift,) = shop.ticket("A").gift_lines
    assert gift.notes == ["dangerous goods class 3, ground only", "contains milk", "caution: fragrance"]
