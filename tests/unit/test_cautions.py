"""Cautions of gifts: whom a gift may go to, what may stand in for it, what packers are told.

'Ex-n' is a worked example of the rules of the trade, 'rule n' one of its rules. They are common practice, no source,
unless one is named beside them.
"""

from typing import Any, get_args

import pytest

from makeweight.contracts.campaigns import DocumentError, read_campaign
from makeweight.domain.campaigns import Allergen, Cautions, Customs, Gift, may_stand_in
from makeweight.domain.choose import choose
from makeweight.domain.orders import Destination, Order
from makeweight.domain.qualify import evaluate
from makeweight.domain.reasons import Reason
from tests.support.build import TIN, campaign, line, live, offer, order
from tests.support.shop import ANSWERED, Shop, document, gives

PERFUME = {**ANSWERED, "dangerous_goods": {"class": "3", "lanes": ["ground"]}}
ADULT = {**ANSWERED, "age": "adult"}


def cautions(**members: Any) -> Cautions:
    """Cautions that are all answered with 'none' but for some."""
    return Cautions(**{"dangerous_goods": "none", "age": "none", "food": "none", **members})


def to(country: str = "IE", area: str = "", lane: str = "any", **members: Any) -> Order:
    """An order that goes somewhere."""
    return order(line(6000), destination=Destination(country, area, lane), **members)  # type: ignore[arg-type]


# ---------------------------------------------------------------- who may have it

FLAMMABLE = {"dangerous_goods": "3", "lanes": ["ground"]}


@pytest.mark.parametrize(
    ("answers", "placed", "part"),
    [
        ({}, to(""), None),
        ({"dangerous_goods": None}, to(), "'dangerous goods' is not answered"),
        ({"age": None}, to(), "'age' is not answered"),
        ({"food": None}, to(), "'food' is not answered"),
        (FLAMMABLE, to(lane="ground"), None),
        (FLAMMABLE, to(lane="air"), "class 3 may not go by air"),
        (FLAMMABLE, to(lane="any"), "by whichever way"),  # it says nothing of which is taken, and unknown blocks
        ({"dangerous_goods": "9", "lanes": ["ground", "air"]}, to(lane="any"), None),
        ({"dangerous_goods": "9", "lanes": ["air"]}, to(lane="ground"), "by ground"),
        ({"dangerous_goods": "2.1"}, to(lane="ground"), "by ground"),  # no lane is allowed
        ({"age": "adult"}, to(age_answer="adult"), None),
        ({"age": "adult"}, to(age_answer="minor"), "adults only"),
        ({"age": "adult"}, to(), "adults only"),
        ({"age": "18 and over"}, to(age_answer="adult"), "adults only"),  # no answer that documents know
        ({"food": "food", "allergens": ["milk"]}, to(), None),  # what is in it is told, and blocks nothing
        ({"food": "oats"}, to(), "'food' is not known"),
        ({"never_to": ["US"]}, to("IE"), None),
        ({"never_to": ["US"]}, to("US"), "may not go to US"),
        ({"never_to": ["US"]}, to(""), "country is not known"),
        ({"never_to": ["Aran"]}, to("IE", "Aran"), "may not go to Aran"),
        ({"never_to": ["US-HI"]}, to("US", "HI"), "may not go to US-HI"),
        ({"never_to": ["US-HI"]}, to("US", "US-HI"), "may not go to US-HI"),
        ({"never_to": ["US-HI"]}, to("US", "VT"), None),
        ({"never_to": ["US-HI"]}, to("US"), "area is not known"),
        ({"never_to": ["US-HI"]}, to("IE"), None),
        ({"carries": ["fragrance"]}, to(), None),
    ],
)
def test_what_a_caution_asks_of_an_order(answers, placed, part):
    """Rule 2.33: each answer blocks the orders that it names, and so does what is not known. Rules of thumb, [M]."""
    said = cautions(**answers)
    why = said.blocks(placed)
    assert (why is None) if part is None else (why is not None and part in why)
    if said.clear:
        assert why is None


@pytest.mark.parametrize(
    ("customs", "ships_from", "country", "blocked"),
    [
        (None, "IE", "IE", False),
        (None, "IE", "GB", True),
        (None, "IE", "", False),
        (None, "", "GB", False),
        (Customs("9609.10", "IE"), "IE", "GB", False),
    ],
)
def test_a_gift_without_customs_data_crosses_no_border(customs, ships_from, country, blocked):
    """Rule 2.32: it is declared as a line of its own, so that data is needed; what is not known here is no border."""
    gift = Gift("G", "G", stated_value=600, customs=customs, cautions=cautions(), ships_from=ships_from)
    why = gift.withheld(to(country))
    assert (why is not None) is blocked
    assert not blocked or "customs" in str(why)


def test_ex44_perfume_to_an_island_served_by_air_only():
    """Ex-44: withheld, the substitute that is no dangerous good given, and the order told why."""
    asked = document(gives(gift="PERFUME", otherwise=["CARD"]), cautions={"PERFUME": PERFUME})
    shop = Shop([asked], {("week/tin", "PERFUME", "main"): 5, ("week/tin", "CARD", "main"): 5})
    shop.place(to("IE", "island", "air"), order(line(6000), order="B", destination=Destination("IE", "", "ground")))
    (given,) = shop.ticket("A").gift_lines
    assert (given.gift, given.substitute) == ("CARD", True)
    told = shop.told("A")
    assert told.outcome == "granted"
    assert "Withheld: PERFUME (dangerous goods of class 3 may not go by air)." in told.sentence
    assert [g.gift for g in shop.ticket("B").gift_lines] == ["PERFUME"]
    assert "Withheld" not in shop.told("B").sentence


def test_ex44_without_a_substitute_the_gift_is_withheld():
    """Ex-44 with nothing else to give: nothing is claimed, a notice says why."""
    shop = Shop([document(gives(gift="PERFUME"), cautions={"PERFUME": PERFUME})], {("week/tin", "PERFUME", "main"): 5})
    shop.place(to(lane="air"))
    assert shop.outcome("A") is None
    assert shop.told("A").reason == Reason.CAUTION
    assert "may not go by air" in shop.notices("A")["blocked_by_caution/week/tin"].sentence


HOME = {**ANSWERED, "never_to": ["US"]}


def test_only_what_comes_before_the_given_gift_is_told_as_withheld():
    """Rule 2.33: the order gets what was announced, so that its substitute may not travel is nobody's business."""
    shop = Shop([document(gives(otherwise=["CARD"]), cautions={"CARD": HOME})], {("week/tin", "TIN", "main"): 5})
    shop.place(to("US"))
    assert [g.gift for g in shop.ticket("A").gift_lines] == ["TIN"]
    assert "Withheld" not in shop.told("A").sentence


def test_where_nothing_is_left_the_announced_gift_says_why():
    """Rule 2.33: the tin is for adults, and the card that would stand in does not go to the US."""
    shop = Shop([document(gives(otherwise=["CARD"]), cautions={"TIN": ADULT, "CARD": HOME})])
    shop.place(to("US"))
    assert shop.told("A").reason == Reason.CAUTION
    assert "adults only" in shop.told("A").sentence


@pytest.mark.parametrize(("ships_from", "given"), [("IE", False), ("GB", True), ("", True)])
def test_what_a_campaign_ships_from_decides_over_customs(ships_from, given):
    """Rule 2.32: a gift that may go to anybody, and has no customs data, over a border or not."""
    shop = Shop([document(gives(), ships_from=ships_from)], {("week/tin", "TIN", "main"): 5})
    shop.place(to("GB"))
    assert bool(shop.ticket("A").gift_lines) is given
    assert ("customs data is missing" in shop.told("A").sentence) is not given


@pytest.mark.parametrize(("answer", "given"), [(None, []), ("minor", []), ("adult", ["TIN"])])
def test_ex45_an_adult_gift_needs_an_answer(answer, given):
    """Ex-45: the customer's age is not known, so it is withheld."""
    shop = Shop([document(gives(), cautions={"TIN": ADULT})], {("week/tin", "TIN", "main"): 5})
    shop.place(order(line(6000), age_answer=answer))
    assert [g.gift for g in shop.ticket("A").gift_lines] == given
    assert shop.told("A").reason == (None if given else Reason.CAUTION)


def test_a_withheld_gift_is_given_once_the_order_says_what_was_missing():
    """Rule 2.15: the whole order is judged again; the substitute goes back and the announced gift comes."""
    asked = document(gives(otherwise=["CARD"]), cautions={"TIN": ADULT})
    shop = Shop([asked], {("week/tin", "TIN", "main"): 5, ("week/tin", "CARD", "main"): 5})
    shop.place(order(line(6000)))
    assert "Withheld: TIN" in shop.told("A").sentence
    shop.amend("A", age_answer="adult")
    assert "Withheld" not in shop.told("A").sentence


# ---------------------------------------------------------------- substitutes


def gift(name: str, worth: int = 600, **answers: Any) -> Gift:
    """A gift of some value."""
    return Gift(name, name, stated_value=worth, cautions=cautions(**answers))


@pytest.mark.parametrize(
    ("announced", "substitute", "part"),
    [
        (gift("A"), gift("B"), None),
        (gift("A", 600), gift("B", 599), "599 is below the 600 of A"),
        (gift("A", 600), gift("B", 700), None),
        # Ex-46: the oat bar has gluten, and the almond bar adds tree nuts.
        (gift("A", food="food", allergens=["gluten"]), gift("B", food="food", allergens=["tree nuts"]), "tree nuts"),
        (gift("A", food="food", allergens=["gluten", "milk"]), gift("B", food="food", allergens=["gluten"]), None),
        (gift("A"), gift("B", food="food"), None),
        (gift("A"), gift("B", carries=["fragrance"]), "fragrance"),
        (gift("A", carries=["Fragrance"]), gift("B", carries=["fragrance"]), None),
        (gift("A"), gift("B", age="adult"), "age limit"),
        (gift("A", age="adult"), gift("B"), None),
        (gift("A"), gift("B", **FLAMMABLE), "class 3"),
        (gift("A", **FLAMMABLE), gift("B", dangerous_goods="9", lanes=["air"]), "class 9"),
        (gift("A", **FLAMMABLE), gift("B", **FLAMMABLE), None),
    ],
)
def test_what_may_stand_in(announced, substitute, part):
    """Rules 2.9 and 2.34: at least the stated value, and no caution that the announced gift does not have."""
    why = may_stand_in(announced, substitute)
    assert (why is None) if part is None else (why is not None and part in why)


OATS = {**ANSWERED, "food": {"allergens": ["gluten"]}}
ALMONDS = {**ANSWERED, "food": {"allergens": ["tree nuts"]}}


def test_ex46_a_substitute_that_adds_an_allergen_is_not_published():
    """Ex-46: the almond bar may not stand in for the oat bar."""
    with pytest.raises(DocumentError) as refused:
        read_campaign(document(gives(gift="OAT", otherwise=["ALMOND"]), cautions={"OAT": OATS, "ALMOND": ALMONDS}))
    (fault,) = refused.value.faults
    assert fault.path == ("offers", 0, "gives", "otherwise", 0)
    assert "it adds tree nuts" in fault.text


def test_ex46_nor_is_it_sent_where_it_was_published():
    """Ex-46 for an offer that nobody checked: it is passed over, and the next substitute is asked for."""
    oat, almond = gift("OAT", food="food", allergens=["gluten"]), gift("ALMOND", food="food", allergens=["tree nuts"])
    names = {g.gift: g for g in (oat, almond, TIN)}
    asked = offer(gift="OAT", otherwise=("ALMOND", "TIN"), when_out="substitute", gifts=names)
    on, placed = live(campaign(asked)), order(line(6000))
    (claim,) = choose(placed, evaluate(placed, on), on, ()).claims
    assert [(o.gift, o.substitute) for o in claim.options] == [("OAT", False), ("TIN", True)]


# ---------------------------------------------------------------- words


def test_the_list_of_allergens():
    """Regulation (EU) No 1169/2011, Annex II, has fourteen; the nine of US law are from memory."""
    words = get_args(Allergen)
    assert len(set(words)) == len(words) == 14 + 2
    assert {"gluten", "lupin", "molluscs", "sulphites"} <= set(words[:14])
    assert {"milk", "eggs", "fish", "shellfish", "tree nuts", "peanuts", "wheat", "soy", "sesame"} <= set(words)


def test_what_packers_are_told():
    """Rules 2.33 and 2.34: class and lanes, the age limit, allergens and the other cautions, a line each."""
    said = Cautions("3", "adult", "food", ["ground"], ["milk", "soy"], ["US"], ["fragrance", "small parts"])
    assert said.notes() == [
        "dangerous goods class 3, ground only",
        "adults only",
        "contains milk, soy",
        "never to US",
        "caution: fragrance",
        "caution: small parts",
    ]
    assert cautions().notes() == []
